"""Where a join is priced: at the planner's estimates, at the actual rows, and along the way from one to the other."""

from __future__ import annotations

from math import floor, inf, log, prod

from rowreckon.counts.interval import Interval
from rowreckon.frozen import frozen
from rowreckon.joins.facts.inputs import JoinInput, Point
from rowreckon.joins.facts.sides import JoinFacts, Side
from rowreckon.joins.ways.match_factors import stops_early

_SAME = 0.01
_ALIKE = 1.1
"""By how much pairs match more or less often than expected without an error to speak of: no right estimate is exact
(common practice, no source)."""


@frozen
class Points:
    """The estimate, and the actual where the counts allow one (else None); planner rows.

    `one_line` says that a single line has to pass through both, since the inner side's count is as estimated while
    pairs match more or less often.
    """

    estimate: Point
    actual: Point | None
    one_line: bool = False

    def along(self, outer: float, *, inner_actual: bool) -> Point:
        """The point at `outer` outer rows, the inner side at its actual or at its estimate.

        With the inner side at its actual, pairs match as often as they did, and as estimated with it at its estimate;
        on one line the match ratio moves from the one to the other, so that it ends where the verdict stands.
        """
        here, there = self.estimate, self.actual
        if there is None:
            return Point(outer, here.inner)
        if inner_actual:
            return Point(outer, there.inner, there.ratio, there.match_frac, there.filtered)
        if not self.one_line or there.outer == here.outer:
            return Point(outer, here.inner)
        way = min(max(log(max(outer, 1.0) / here.outer) / log(there.outer / here.outer), 0.0), 1.0)
        match_frac = there.match_frac if way > 0.5 else here.match_frac
        return Point(outer, here.inner, there.ratio**way, match_frac, there.filtered**way)

    @property
    def inner_moves(self) -> bool:
        """Whether the inner side, or how often pairs match, differs between the two."""
        here, there = self.estimate, self.actual
        return there is not None and (
            abs(there.inner - here.inner) > _SAME * here.inner
            or abs(log(max(there.ratio, 1e-12))) > _SAME
            or abs(log(there.filtered)) > _SAME
            or there.match_frac != here.match_frac
        )


def points_of(facts: JoinFacts, join: JoinInput) -> Points:
    """Both points of a join. Sides whose count was cut short are taken at their estimate (see `usable_rows`).

    The planner reckons with whole rows; an actual average is rounded down, so that it stays on its side of a border.
    """
    estimate = Point(join.outer.rows, join.inner.rows)
    outer = usable_rows(facts.outer, estimate.outer)
    if outer is None:
        return Points(estimate, None)
    if facts.inner.parameterised:
        inner: float | None = estimate.inner * _own_factor(facts, join, outer / max(estimate.outer, 1.0))
    else:
        inner = usable_rows(facts.inner, estimate.inner)
    if inner is None:
        return Points(estimate, None)
    outer, inner = float(max(floor(outer), 1)), float(max(floor(inner), 1))
    ratio, match_frac = _matches(facts, outer, inner, estimate)
    return Points(estimate, Point(outer, inner, ratio, match_frac, _filtered(facts, join, outer * inner, ratio)))


def _own_factor(facts: JoinFacts, join: JoinInput, moved: float) -> float:
    """How many times more rows than expected the inner relation's own conditions let through: of what the rounded
    counts of its scan leave what the join's output tells, where that was counted, else what is nearest to the estimate.

    `moved` is how many times more outer rows than expected came.
    """
    low, high = join.inner.own_factor
    nearest = min(max(1.0, low), high)
    came, expected = facts.output_actual_interval, facts.output_interval
    if low == high or facts.kind != "Inner" or facts.output_state == "at_least" or came is None:
        return nearest
    least, most = came.low / (expected.high * moved), came.high / max(expected.low * moved, 1e-9)
    if most < low or least > high:
        return nearest
    told = (came.low + came.high) / (expected.low + expected.high) / moved
    return min(max(told, low), high)


def usable_rows(side: Side, estimate: float) -> float | None:
    """A side's rows over all processes to price with.

    A complete count counts. One that was cut short is a lower bound: where it does not contradict the estimate, the
    estimate stands; where it exceeds it, nothing tells how far.
    """
    rows, actual = side.actual_rows, side.actual_interval
    if rows is None or actual is None:
        return None
    if side.state in ("exact", "probed"):
        return min(max(rows, actual.low), actual.high) * side.processes
    if side.state == "reread":
        return estimate
    if side.state == "at_least" and actual.low * side.processes <= estimate + 0.5:
        return estimate
    return None


def _matches(facts: JoinFacts, outer: float, inner: float, estimate: Point) -> tuple[float, float | None]:
    """How much more often pairs match than estimated, and the share of outer rows with a match."""
    came, expected = facts.output_actual_interval, facts.output_interval
    outer_rows = max(outer, 1.0)
    if came is None:
        return 1.0, None
    if facts.output_state == "at_least":
        came = Interval(came.low, inf)  # it may have been cut short long before its end
    came, expected = came.scaled(facts.processes), expected.scaled(facts.processes)
    moved = outer_rows / max(estimate.outer, 1.0)
    if facts.kind in ("Semi", "Anti", "Right Semi", "Right Anti"):
        kept = outer_rows if facts.kind in ("Semi", "Anti") else max(inner, 1.0)
        planned = estimate.outer if facts.kind in ("Semi", "Anti") else estimate.inner
        grown = kept / max(planned, 1.0)
        if Interval(expected.low * grown, expected.high * grown).meets(came):
            return 1.0, None
        share = min((came.low + min(came.high, kept)) / 2 / kept, 1.0)
        return 1.0, share if "Semi" in facts.kind else 1.0 - share
    moved *= max(inner, 1.0) / max(estimate.inner, 1.0)
    if facts.kind in ("Left", "Right", "Full"):
        kept = outer_rows if facts.kind == "Left" else max(inner, 1.0)
        if came.high <= kept * 1.1 or facts.output_rows * facts.processes <= estimate.outer * 1.1:
            return 1.0, None
    low, high = expected.low * moved, expected.high * moved
    if Interval(low / _ALIKE, high * _ALIKE).meets(came):
        return 1.0, None
    if came.low > high:
        return came.low / max(high, 1e-9), None
    return max(came.high, 0.5) / max(low, 1e-9), None


def _filtered(facts: JoinFacts, join: JoinInput, pairs: float, ratio: float) -> float:
    """The part of the match ratio that the filter of an executed hash or merge join accounts for: what is left of it
    once the pairs that were found, kept and rejected alike, are compared with those that its clauses let expect.

    A nested loop tells nothing of it, and a join that stops at the first match does not count all pairs.
    """
    finding, filtering = [c for c in join.clauses if not c.filters], [c for c in join.clauses if c.filters]
    came = facts.output_actual_interval
    whole = facts.kind == "Inner" and facts.method != "nested_loop" and not stops_early(join)
    if not whole or not finding or not filtering or join.basis != "catalog" or came is None:
        return 1.0
    if facts.output_state == "at_least":
        return 1.0
    found = ((came.low + came.high) / 2 + facts.removed_rows) * facts.processes
    expected = prod(c.selectivity for c in finding) * pairs
    times = max(found, 1.0) / max(expected, 1.0)
    return ratio if 1.0 / _ALIKE <= times <= _ALIKE else ratio / times
