"""Whether what an expression calls is immutable, which an index and a generated column ask for, and statistics do not.

CREATE STATISTICS takes functions of any volatility, and the planner uses what it gathers (servers of 14 to 18; the
manual's pages of CREATE INDEX and CREATE TABLE ask for immutable ones).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Catalog, Relation

_WITH_ZONE = "timestamp with time zone"
_BY_ZONE = frozenset({"date", "time", "timetz", "timestamp", "text", "varchar"})
"""Types, as the grammar names them, to which a point in time is cast by the session's time zone or style of dates."""


def not_immutable(expressions: Sequence[str], relation: Relation | None, catalog: Catalog | None) -> str | None:
    """What of the expressions is surely not immutable, in words; None where all is, or it is not known."""
    return next(_found(expressions, relation, catalog), None)


def _found(expressions: Sequence[str], relation: Relation | None, catalog: Catalog | None) -> Iterator[str]:
    from rowreckon.sql.grammar import NotSql, parse
    from rowreckon.sql.scalar import Uses, check

    for text in expressions:
        uses = Uses()
        try:
            check(parse(f"SELECT ({text}\n)").stmts[0].stmt.select_stmt.target_list[0].res_target.val, uses)
        except NotSql:
            continue
        for name, _ in sorted(uses.functions):
            same = [f for f in catalog.functions if f.name == name[-1]] if catalog is not None else []
            same = [f for f in same if len(name) == 1 or f.schema_name == name[0]]
            if same and all(f.volatility != "immutable" for f in same):
                yield f"{name[-1]} is {_worst(f.volatility for f in same)}"
        types = {c.type for column in uses.columns if relation is not None and (c := relation.column(column))}
        cast = sorted(_BY_ZONE & {name[-1] for name in uses.types})
        if cast and not uses.functions and types == {_WITH_ZONE}:
            yield f"the cast to {cast[0]} goes by the session's time zone, so it is stable"


def _worst(volatilities: Iterator[str]) -> str:
    return "volatile" if "volatile" in set(volatilities) else "stable"
