"""What a scan's estimate hangs on: the statistics of a column, or of an expression, that a condition reads.

A forged list of common values holds one value that satisfies the conditions, with the share of rows that came, and one
that does not.  Which values do, the planner is asked: with the whole list filled by one value, it expects all rows or
none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

import psycopg
from psycopg import sql

from rowreckon.catalog.request import quoted
from rowreckon.server.stand_in.filling import array_text
from rowreckon.server.stand_in.forging import Forgery
from rowreckon.server.stand_in.statistics import write_figures
from rowreckon.sql.grammar import parse
from rowreckon.stand_in.facts import SourceRelation
from rowreckon.stand_in.figures import Figures
from rowreckon.stand_in.permitted import EXPRESSION, NotPermitted, as_text, one_statement

_EXPRESSIONS_FROM: Final = 14
"""The first release with statistics of expressions that need no index."""
_DATA_OF_TREES_FROM: Final = 15


class Knob(Protocol):
    """Statistics that can be written, and those that were there."""

    columns: frozenset[str]
    conditions: list[Any]
    original: Figures

    def write(self, forgery: Forgery, figures: Figures) -> bool:
        """Have the statistics be these; whether that worked."""


def listed(figures: Figures, values: Sequence[tuple[str, float]], nulls: float = 0.0) -> Figures:
    """The figures with these common values (each with its share of rows) and nothing else, but for the correlation."""
    kept = [(value, min(max(share, 0.0), 1.0)) for value, share in values]
    return figures.model_copy(
        update={
            "common": array_text([value for value, _ in kept]) if kept else None,
            "common_freqs": tuple(share for _, share in kept) if kept else None,
            "bounds": None,
            "null_frac": min(max(nulls, 0.0), 1.0),
            "distinct": figures.distinct or float(max(len(kept), 1)),
        }
    )


@dataclass
class ColumnKnob:
    """A column of a table, and the conditions that read it alone."""

    relation: SourceRelation
    number: int
    columns: frozenset[str]
    conditions: list[Any]
    original: Figures

    def write(self, forgery: Forgery, figures: Figures) -> bool:
        return forgery.write(self.relation, self.number, figures)


@dataclass
class ExpressionKnob:
    """An expression over a table's columns, with a statistics object of its own."""

    columns: frozenset[str]
    conditions: list[Any]
    original: Figures
    object: int
    scratch: int

    def write(self, forgery: Forgery, figures: Figures) -> bool:
        later = forgery.facts.server.major >= _DATA_OF_TREES_FROM
        tree = (sql.SQL(", stxdinherit"), sql.SQL("false, ")) if later else (sql.SQL(""), sql.SQL(""))
        insert = sql.SQL(
            "insert into pg_catalog.pg_statistic_ext_data (stxoid{}, stxdexpr) select %s::oid, {}array_agg(s)"
            " from pg_catalog.pg_statistic s where s.starelid = %s::oid"
        ).format(*tree)
        try:
            with forgery.connection.transaction():
                run = forgery.connection.execute
                run("delete from pg_catalog.pg_statistic where starelid = %s::oid", (self.scratch,))
                write_figures(forgery.connection, self.scratch, 1, figures.model_copy(update={"inherited": False}))
                run("delete from pg_catalog.pg_statistic_ext_data where stxoid = %s::oid", (self.object,))
                run(insert, (self.object, self.scratch))
        except psycopg.Error:
            return False
        return True


def expression_knob(
    forgery: Forgery, relation: SourceRelation, expression: Any, condition: Any, columns: frozenset[str]
) -> ExpressionKnob | None:
    """A new statistics object for an expression; None where the release, or the expression, can't have one."""
    if forgery.facts.server.major < _EXPRESSIONS_FROM or forgery.has_children(relation):
        return None
    forgery.objects += 1
    name = f"rowreckon_forged_{forgery.objects}"
    table = quoted(relation.schema_, relation.name)
    try:
        bare = _without_alias(expression)
        kinds = EXPRESSION | {"CreateStatsStmt", "StatsElem", "RangeVar", "SelectStmt", "ResTarget"}
        tree, made = one_statement(
            f"create statistics {quoted('public', name)} on (a + 1) from {table}", "create_stats_stmt", kinds
        )
        made.exprs[0].stats_elem.expr.CopyFrom(bare)
        statistics = as_text(tree)
        tree, select = one_statement(f"select a as c from only {table}", "select_stmt", kinds)
        select.target_list[0].res_target.val.CopyFrom(bare)
        scratch = sql.SQL("create table {} as {} with no data").format(
            sql.Identifier("public", name), sql.SQL(as_text(tree))
        )
        with forgery.as_maker():
            forgery.connection.execute(statistics.encode(), binary=True)
            forgery.connection.execute(scratch, binary=True)
        row = forgery.connection.execute(_FOUND, (name, name)).fetchone()
    except (NotPermitted, psycopg.Error):
        return None
    assert row is not None
    nothing = Figures(number=1, inherited=False, null_frac=0.0, width=0, distinct=0.0)
    return ExpressionKnob(columns, [condition], nothing, int(row[0]), int(row[1]))


_FOUND: Final = """
select e.oid::int8, c.oid::int8 from pg_catalog.pg_statistic_ext e, pg_catalog.pg_class c
where e.stxname = %s and c.relname = %s and c.relkind = 'r'
"""


def _without_alias(expression: Any) -> Any:
    """The expression with its columns' names alone, as a statistics object names them."""
    fresh = parse("select 1").stmts[0].stmt.select_stmt.target_list[0].res_target.val
    fresh.CopyFrom(expression)
    waiting = [fresh]
    while waiting:
        message = waiting.pop()
        if message.DESCRIPTOR.name == "ColumnRef":
            del message.fields[:-1]
        for field, value in message.ListFields():
            if field.message_type is not None:
                waiting.extend(value if field.is_repeated else (value,))
    return fresh
