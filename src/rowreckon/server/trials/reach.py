"""Which queries a change can't reach, so that their plans are not made again: their planning locked no table that it
alters.

The planner locks every relation that a statement names, by a view or a function that it takes apart as well, before it
looks at its statistics and indexes, and keeps the lock to the end of the transaction, also where the plan does without
the relation (PostgreSQL manual, "Table-Level Locks"; expand_rtable_entry and get_relation_info in optimizer).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rowreckon.remedies.change import change_or_none
from rowreckon.remedies.change_shapes import Kind
from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.neutral import neutral_rows
from rowreckon.server.trials.stage import Planned

# These name each table whose catalog entries they alter.
_NAMING: Final[frozenset[Kind]] = frozenset(
    {
        "analyze",
        "column_target",
        "column_option",
        "table_option",
        "statistics",
        "index",
        "foreign_key",
        "validate_constraint",
    }
)
# by the path in force, as the statements themselves were read
_FOUND: Final = b"select pg_catalog.to_regclass(%s)::pg_catalog.oid::pg_catalog.int8"
# what is done to a partitioned table is done to its partitions as well
_FAMILY: Final = """
with recursive family(oid) as (
  select unnest(%s::int8[])::oid
  union
  select case when i.inhparent = f.oid then i.inhrelid else i.inhparent end
    from family f join pg_inherits i on f.oid in (i.inhparent, i.inhrelid))
select oid::int8 from family
"""


def altered(connection: Connection, statements: Sequence[str]) -> frozenset[int] | None:
    """The tables, by oid, whose catalog entries the statements alter, those above and below them included; None where
    that is not told by their names. Raises psycopg.Error."""
    changes = [change_or_none(statement) for statement in statements]
    names: dict[str, None] = {}
    for change in changes:
        if change is None or change.kind not in _NAMING or not change.tables:
            return None
        names |= dict.fromkeys(change.tables)
    found: list[int] = []
    for name in names:
        row = connection.execute(_FOUND, (name,)).fetchone()
        if row is None or row[0] is None:
            return None
        found.append(int(row[0]))
    return frozenset(int(row[0]) for row in neutral_rows(connection, _FAMILY, (found,)))


def out_of_reach(planned: Planned, tables: frozenset[int] | None) -> bool:
    """Whether a query's plan stays as it is where these tables alone are altered."""
    if tables is None or planned.shape is None or planned.relations is None:
        return False
    return planned.relations.isdisjoint(tables)
