"""Ways that the plan alone can't show: an index that may exist. What they cost at least follows from the choice itself.

The planner took the executed method, so at its estimates no other way was more than 1% cheaper. From there a way's cost
moves within limits: more outer rows cost at least their own processing, fewer save at most their share.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, log2

from rowreckon.cost import STD_FUZZ_FACTOR, CostSettings
from rowreckon.report.document import Method

from .inputs import JoinInput, Point
from .sides import JoinFacts


@dataclass(frozen=True, slots=True)
class HiddenWay:
    """A way that may exist, with what it costs at least at a point (planner cost)."""

    method: Method
    what: str
    low: Callable[[Point], float]


def hidden_ways(
    settings: CostSettings, facts: JoinFacts, join: JoinInput, executed_cost: float, excluded: dict[Method, str]
) -> tuple[HiddenWay, ...]:
    """What an index on either side's join columns could have brought, where the choice does not rule it out."""
    equality = any(c.operator == "=" for c in join.clauses)
    if not equality or not join.outer_paths:
        return ()
    bound = executed_cost / STD_FUZZ_FACTOR
    found: list[HiddenWay] = []
    if "nested_loop" not in excluded and not facts.inner.parameterised:
        outer_cost = join.outer_paths[0].path.total_cost
        if facts.kind in ("Inner", "Left", "Semi", "Anti") and facts.inner.scan is not None:
            per_outer = facts.output_rows / max(facts.outer.planner_rows, 1.0)
            if not _ruled_out(settings, bound, outer_cost, join.outer.rows / join.processes, per_outer):
                low = _driven(settings, bound, outer_cost, join.outer.rows, turned=False)
                found.append(HiddenWay("nested_loop", "an index on the inner side's join columns", low))
        if facts.kind in ("Inner", "Right", "Right Semi", "Right Anti") and facts.outer.scan is not None:
            inner_cost = join.inner.paths[0].path.total_cost if join.inner.paths else 0.0
            per_inner = facts.output_rows / max(join.inner.rows, 1.0)
            if not _ruled_out(settings, bound, inner_cost, join.inner.rows, per_inner):
                low = _driven(settings, bound, inner_cost, join.inner.rows, turned=True)
                found.append(HiddenWay("nested_loop", "an index on the outer side's join columns", low))
    if "merge" not in excluded and facts.method != "merge":
        found.append(HiddenWay("merge", "an index in the order of the join columns", _ordered(settings, bound, join)))
    return tuple(found)


def _ruled_out(settings: CostSettings, bound: float, driver_cost: float, loops: float, per_row: float) -> bool:
    """Whether an index would have been taken, had it been there: even its dearest use would have cost less."""
    matches = max(ceil(per_row), 1)
    pages = settings.random_page_cost * (2.0 + matches)
    descent = settings.cpu_operator_cost * (3 * 50 + 24)
    rows = matches * (settings.cpu_tuple_cost * 2.0 + settings.cpu_index_tuple_cost + 4.0 * settings.cpu_operator_cost)
    return driver_cost + loops * (pages + descent + rows) < bound


def _driven(
    settings: CostSettings, bound: float, driver_cost: float, expected: float, *, turned: bool
) -> Callable[[Point], float]:
    """A nested loop driven by one side: linear at least above the estimate, its share at least below."""
    per_row = settings.cpu_operator_cost * (50 + 1) + settings.cpu_index_tuple_cost + settings.cpu_tuple_cost

    def low(point: Point) -> float:
        rows = point.inner if turned else point.outer
        if rows >= expected:
            return bound + (rows - expected) * per_row
        return driver_cost + max(bound - driver_cost, 0.0) * rows / max(expected, 1.0)

    return low


def _ordered(settings: CostSettings, bound: float, join: JoinInput) -> Callable[[Point], float]:
    """A merge join over an ordered index: a row more has to be merged, a row less saves its sorting and merging."""
    operator, tuple_cost = settings.cpu_operator_cost, settings.cpu_tuple_cost
    expected = join.outer.rows, join.inner.rows

    def low(point: Point) -> float:
        cost = bound
        for rows, planned in zip((point.outer, point.inner), expected, strict=True):
            if rows >= planned:
                cost += (rows - planned) * operator
            else:
                saved = operator * (2.0 + 2.0 * log2(max(planned, 2.0))) + tuple_cost
                cost -= (planned - rows) * saved
        return max(cost, 0.0)

    return low
