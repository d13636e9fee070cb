"""The tuples that a scan by a BRIN index reads: those of whole ranges of pages."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.cost.brin import PAGES_PER_RANGE, brin_selectivity
from rowreckon.plan.conditions import parse_condition

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Index
    from rowreckon.joins.facts.known_relation import KnownRelation


def in_ranges(relation: KnownRelation, name: str | None, condition: str | None, kept: float) -> float:
    """The share of a relation's tuples that the index of this name finds by a condition which keeps a share of them:
    more where it is a BRIN index, that share where it is another."""
    index = next((i for i in relation.relation.indexes if i.name == name), None)
    if index is None or index.access_method != "brin":
        return kept
    columns = {c.column for clause in parse_condition(condition or "").clauses for c in clause.columns}
    rows = [
        column.statistics_of(inherited=relation.relation.has_children)
        for column in relation.relation.columns
        if column.name in columns
    ]
    correlation = max((abs(row.correlation or 0.0) for row in rows if row is not None), default=0.0)
    return brin_selectivity(relation.size.pages, _pages_per_range(index), kept, correlation)


def _pages_per_range(index: Index) -> int:
    """The storage parameter in the index's definition; the default where there is none."""
    from rowreckon.sql.grammar import NotSql, parse  # slow to load, and few tables have such an index

    try:
        statement = parse(index.definition).stmts[0].stmt.index_stmt
    except (NotSql, IndexError):
        return PAGES_PER_RANGE
    # pg_get_indexdef prints each storage parameter's value as text
    told = (o.def_elem.arg.string.sval for o in statement.options if o.def_elem.defname == "pages_per_range")
    value = next(told, "")
    return int(value) if value.isascii() and value.isdigit() else PAGES_PER_RANGE
