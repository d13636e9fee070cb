"""Tables of a stand-in while an index is built on them: their files, their sizes in the catalog, and their rows."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rowreckon.errors import RowreckonError, StatementFailed
from rowreckon.remedies.change import Change
from rowreckon.server.connecting.connection import Connection, connected
from rowreckon.server.stand_in.filling import DATABASE
from rowreckon.server.stand_in.planning import Planner
from rowreckon.server.stand_in.standing import StandIn
from rowreckon.sql.grammar import parse, printed
from rowreckon.stand_in.pages import PAGE

# A table, or the partitions of a partitioned one: whatever has a file.
_TABLES: Final = """
with recursive named(oid) as (
  select pg_catalog.to_regclass(n)::oid from pg_catalog.unnest(%s::text[]) n
  union select i.inhrelid from named t join pg_catalog.pg_class p on p.oid = t.oid and p.relkind = 'p'
    join pg_catalog.pg_inherits i on i.inhparent = t.oid)
select c.oid::int8, n.nspname, c.relname, pg_catalog.pg_relation_filepath(c.oid), c.relpages, c.reltuples,
  c.relallvisible
from named t join pg_catalog.pg_class c on c.oid = t.oid join pg_catalog.pg_namespace n on n.oid = c.relnamespace
where c.relkind in ('r', 'm') order by c.oid
"""


@dataclass(frozen=True, slots=True)
class Table:
    """A table with a file; `rows` is what the catalog says, -1 where that is not known."""

    oid: int
    schema: str
    name: str
    path: Path
    relpages: int
    reltuples: float
    relallvisible: int

    @property
    def rows(self) -> float:
        return float(self.reltuples)


def tables_of(connection: Connection, data: Path, names: Sequence[str]) -> list[Table]:
    """The tables of these names, as SQL has them, and the partitions of those that are partitioned."""
    rows = connection.execute(_TABLES, (list(names),)).fetchall()
    return [Table(int(oid), schema, name, data / path, *sizes) for oid, schema, name, path, *sizes in rows]


@contextlib.contextmanager
def shortened(tables: Sequence[Table]) -> Iterator[None]:
    """For the length of a block the tables' files end behind their rows; only a new connection notices.

    The first segment alone is cut: a server that finds it shorter than a segment looks for no further one.
    """
    lengths = {table.path: table.path.stat().st_size for table in tables}
    try:
        for path in lengths:
            os.truncate(path, _filled(path))
        yield
    finally:
        for path, length in lengths.items():
            os.truncate(path, length)


def _filled(path: Path) -> int:
    """Where the pages with something in them end (bytes)."""
    with path.open("rb") as file:
        number = 0
        while any(file.read(PAGE)):
            number += 1
    return number * PAGE


def rows_of(there: StandIn, change: Change, tables: Sequence[Table]) -> dict[int, float]:
    """How many rows of each table belong into an index: the planner's own estimate, since it knows no better one.

    Asked by a connection that does not see the index yet. Raises StatementFailed.
    """
    wanted = parse(change.text).stmts[0].stmt.index_stmt
    found: dict[int, float] = {}
    with connected(there.place.dsn("postgres", DATABASE)) as connection:
        planner = Planner(connection, there.place.major)
        for table in tables:
            tree = parse("SELECT 1 FROM ONLY t WHERE true")
            select = tree.stmts[0].stmt.select_stmt
            select.from_clause[0].range_var.schemaname = table.schema
            select.from_clause[0].range_var.relname = table.name
            if wanted.HasField("where_clause"):
                select.where_clause.CopyFrom(wanted.where_clause)
            try:
                document = planner.plan(printed(tree), {"max_parallel_workers_per_gather": "0"})
            except RowreckonError as error:
                raise StatementFailed(f"the size of the index is not known: {error.what}") from None
            found[table.oid] = float(document["Plan"]["Plan Rows"])
    return found
