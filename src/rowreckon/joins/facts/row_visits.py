"""How many rows, or pairs of rows, a method has to touch: the plain-words model beside the cost model.

A nested loop touches every outer row and, for each, every inner row that it reads; a hash or merge join touches each
row of either side once. Totals over processes and executions.
"""

from __future__ import annotations

from rowreckon.document.audit import Method, RowVisits
from rowreckon.joins.facts.sides import JoinFacts


def row_visits(facts: JoinFacts) -> dict[Method, RowVisits]:
    """The visits of the executed method and, where both sides are known whole, of the others."""
    outer, inner = facts.outer, facts.inner
    found: dict[Method, RowVisits] = {}
    once = _visits(
        outer.planner_rows * outer.divisor + inner.planner_rows * inner.divisor,
        None
        if outer.actual_rows is None or inner.actual_rows is None
        else outer.actual_rows * outer.divisor + inner.actual_rows * inner.divisor,
    )
    found["nested_loop"] = _visits(
        outer.divisor * outer.planner_rows * (1.0 + inner.planner_rows),
        None
        if outer.actual_rows is None or inner.actual_rows is None
        else outer.divisor * outer.actual_rows * (1.0 + inner.actual_rows),
    )
    if not inner.parameterised:
        found["hash"] = once
        found["merge"] = once
    if facts.join_type == "full":
        found.pop("nested_loop")
    return found


def _visits(at_estimate: float, at_actual: float | None) -> RowVisits:
    came = None if at_actual is None else float(at_actual)
    return RowVisits.trusted({"at_estimate": float(at_estimate), "at_actual": came})
