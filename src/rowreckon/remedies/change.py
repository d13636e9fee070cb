"""A change as PostgreSQL's grammar reads it: one statement of a shape that remedies have, printed anew.

What a trial sends to a server passes through here: a text that holds two statements, or one of another shape, or an
expression that is more than one over the table's columns, is no change.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

from rowreckon.remedies.change_shapes import READERS, Found, Kind
from rowreckon.remedies.quoting import quote_table
from rowreckon.remedies.subject import TableName
from rowreckon.sql.grammar import NotSql, parse, printed
from rowreckon.sql.scalar import Uses

TRIED: Final[frozenset[Kind]] = frozenset(
    {
        "analyze",
        "column_target",
        "column_option",
        "table_option",
        "statistics",
        "statistics_target",
        "index",
        "drop_index",
        "attach_index",
        "foreign_key",
        "validate_constraint",
        "function_rows",
    }
)
"""The kinds that a trial may send; the others stand in undo statements, or are set for queries alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One statement. `text` is printed from its tree; `tables` are as SQL names them, those altered first.

    `expressions` says that it has some, and `uses` what they need. `beside` names parts that a trial has no use for,
    such as a tablespace. `setting` is a name and its value, None where it is reset. `named` are the tables, unquoted.
    """

    kind: Kind
    text: str
    tables: tuple[str, ...] = ()
    named: tuple[TableName, ...] = ()
    concurrently: bool = False
    columns: tuple[str, ...] = ()
    expressions: bool = False
    uses: Uses = field(default_factory=Uses)
    beside: tuple[str, ...] = ()
    setting: tuple[str, str | None] | None = None


@lru_cache(maxsize=1024)
def read_change(statement: str) -> Change:
    """The change that a text holds. Raises NotSql, whose reason says why it is none."""
    tree = parse(statement)
    if len(tree.stmts) != 1:
        raise NotSql(f"it holds {len(tree.stmts)} statements where one belongs")
    kind = tree.stmts[0].stmt.WhichOneof("node")
    if kind not in READERS:
        raise NotSql("it is no change that a trial could make")
    what, reader = READERS[kind]
    found = Found(what)
    reader(getattr(tree.stmts[0].stmt, kind), found)
    assert found.kind is not None
    return Change(
        kind=found.kind,
        text=printed(tree),
        tables=tuple(dict.fromkeys(quote_table(t) for t in found.tables)),
        named=tuple(found.tables),
        concurrently=found.concurrently,
        columns=tuple(found.columns),
        expressions=found.expressions,
        uses=found.uses,
        beside=tuple(found.beside),
        setting=found.setting,
    )


def change_or_none(statement: str) -> Change | None:
    """The change that a text holds; None where it holds none."""
    try:
        return read_change(statement)
    except NotSql:
        return None


def tables_of(statements: Sequence[str], *kinds: Kind) -> tuple[str, ...]:
    """The tables of the statements of these kinds, as SQL names them, each once."""
    found = (change for statement in statements if (change := change_or_none(statement)) and change.kind in kinds)
    return tuple(dict.fromkeys(name for change in found for name in change.tables))
