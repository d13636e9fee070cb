"""Two audits of the same queries: which joins changed method, which misestimates went or came, which switch points
moved, and whether the times differ by more than their own spread."""

from __future__ import annotations

import math
from statistics import median
from typing import Literal

from rowreckon.document.audit import Audit, Join, Method, Node, Plan, Remedy, Verdict
from rowreckon.frozen import frozen
from rowreckon.report.comparing.matching import Matcher, join_key, node_key
from rowreckon.report.words.borders import Border, borders

MISESTIMATED = 10.0
_MOVED = 1.1  # switch points nearer than this are the same one: common practice, no source
_CHANCE = 0.05  # common practice, no source


@frozen
class MethodChange:
    """A join that another method runs now, or that only one side has (its method there, None here)."""

    tables: tuple[str, ...]
    before: Method | None
    after: Method | None


@frozen
class VerdictChange:
    """A join of both audits whose verdict is another now."""

    tables: tuple[str, ...]
    before: Verdict
    after: Verdict


@frozen
class ErrorChange:
    """A node whose q-error crossed the threshold between the two; None where the node is missing or not counted."""

    before: Node | None
    after: Node | None
    q_before: float | None
    q_after: float | None


@frozen
class Move:
    """A switch point of a join in both audits, in outer rows."""

    tables: tuple[str, ...]
    below: str
    above: str
    before: float
    after: float


@frozen
class Times:
    """Execution times, ms; `chance` is how often runs of one and the same plan would stand apart like this (None
    where the ranges overlap)."""

    before: tuple[float, ...]
    after: tuple[float, ...]
    chance: float | None

    @property
    def runs_needed(self) -> int:
        """How many runs on each side would tell, if they stood apart as these do."""
        return next(n for n in range(1, 20) if 2 / math.comb(2 * n, n) < _CHANCE)

    @property
    def medians(self) -> tuple[float, float] | None:
        """Before and after, None where one side has no time."""
        return (median(self.before), median(self.after)) if self.before and self.after else None

    @property
    def differ(self) -> bool:
        """Whether the difference goes beyond the spread of the runs."""
        return self.chance is not None and self.chance < _CHANCE

    @property
    def difference(self) -> Literal["faster", "slower", "within_noise", "too_few_runs", "not_known"]:
        """What may be concluded."""
        medians = self.medians
        if medians is None:
            return "not_known"
        if self.chance is None:
            return "within_noise"
        if not self.differ:
            return "too_few_runs"
        return "faster" if medians[1] < medians[0] else "slower"


@frozen
class PlanComparison:
    """One query in both audits."""

    before: Plan
    after: Plan
    methods: tuple[MethodChange, ...]
    gone: tuple[ErrorChange, ...]
    come: tuple[ErrorChange, ...]
    moves: tuple[Move, ...]
    times: Times
    verdicts: tuple[VerdictChange, ...] = ()
    remedies: tuple[Remedy, ...] = ()
    """The changes that the first audit proposed for this query, with what was promised of them."""
    open_remedies: tuple[Remedy, ...] = ()
    """The changes that the second audit proposes for it and that it has not tried."""

    @property
    def differs(self) -> bool:
        """Whether anything differs beyond noise."""
        ended_alike = self.before.outcome == self.after.outcome
        changed = (self.methods, self.verdicts, self.gone, self.come, self.moves)
        return any(changed) or self.times.differ or not ended_alike

    def is_open(self, remedy: Remedy) -> bool:
        """Whether the second audit proposes the change too; its figures may be others."""
        return any(_what(one) == _what(remedy) for one in self.open_remedies)


def _what(remedy: Remedy) -> tuple[object, ...]:
    return remedy.kind, remedy.tables, remedy.columns


@frozen
class Comparison:
    """All queries, and those that only one audit has."""

    plans: tuple[PlanComparison, ...]
    only_before: tuple[Plan, ...]
    only_after: tuple[Plan, ...]

    @property
    def differs(self) -> bool:
        """Whether anything differs beyond noise."""
        return bool(self.only_before or self.only_after or any(plan.differs for plan in self.plans))


def compare(before: Audit, after: Audit, *, threshold: float = MISESTIMATED) -> Comparison:
    """Match queries by their text, else id, else source; then compare what the two audits say of each. `threshold` is
    the q-error from which a row count is called misestimated."""
    promised = _promised(before)
    proposed = _by_plan(after, [remedy for remedy in after.remedies if remedy.trial is None])
    matcher = Matcher(before)
    plans: list[PlanComparison] = []
    only_after: list[Plan] = []
    for plan in after.plans:
        old = matcher.find(plan)
        if old is None:
            only_after.append(plan)
        else:
            plans.append(_plans(old, plan, promised, proposed, threshold))
    if not plans and len(before.plans) == len(after.plans) == 1:
        # Two single plans given side by side are meant to be compared, whatever their names.
        return Comparison((_plans(before.plans[0], after.plans[0], promised, proposed, threshold),), (), ())
    return Comparison(tuple(plans), tuple(matcher.untaken()), tuple(only_after))


def _promised(before: Audit) -> dict[int, tuple[Remedy, ...]]:
    """By the plan's identity: the changes proposed for it that promise something that can be held against times."""
    promising = [r for r in before.remedies if r.trial is not None or r.expected_gain_ms is not None]
    return _by_plan(before, promising)


def _by_plan(audit: Audit, remedies: list[Remedy]) -> dict[int, tuple[Remedy, ...]]:
    """By the plan's identity: those of the changes that are meant for it."""
    found: dict[int, tuple[Remedy, ...]] = {}
    for remedy in remedies:
        for index in sorted({ref.plan for ref in remedy.findings if ref.plan < len(audit.plans)}):
            key = id(audit.plans[index])
            found[key] = (*found.get(key, ()), remedy)
    return found


def _plans(
    before: Plan,
    after: Plan,
    promised: dict[int, tuple[Remedy, ...]],
    proposed: dict[int, tuple[Remedy, ...]],
    threshold: float,
) -> PlanComparison:
    pairs, lost, new = _paired(before, after)
    methods = [MethodChange(join_key(a)[0], a.method, b.method) for a, b in pairs if a.method != b.method]
    methods += [MethodChange(join_key(join)[0], join.method, None) for join in lost]
    methods += [MethodChange(join_key(join)[0], None, join.method) for join in new]
    gone, come = _errors(before, after, threshold)
    moves = [move for a, b in pairs for move in _moves(a, b)]
    spent = times(before, after)
    remedies = promised.get(id(before), ())
    verdicts = tuple(VerdictChange(join_key(a)[0], a.verdict, b.verdict) for a, b in pairs if a.verdict != b.verdict)
    return PlanComparison(
        before, after, tuple(methods), gone, come, tuple(moves), spent, verdicts, remedies, proposed.get(id(after), ())
    )


def _paired(before: Plan, after: Plan) -> tuple[list[tuple[Join, Join]], list[Join], list[Join]]:
    waiting: dict[object, list[Join]] = {}
    for join in before.joins:
        waiting.setdefault(join_key(join), []).append(join)
    pairs: list[tuple[Join, Join]] = []
    new: list[Join] = []
    for join in after.joins:
        found = waiting.get(join_key(join))
        if found:
            pairs.append((found.pop(0), join))
        else:
            new.append(join)
    return pairs, [join for rest in waiting.values() for join in rest], new


def _q(node: Node) -> float | None:
    return node.q_error_low if node.q_error_low is not None else node.q_error


def _by_key(plan: Plan) -> dict[tuple[str, ...], Node]:
    found: dict[tuple[str, ...], Node] = {}
    for node in plan.nodes:
        key = node_key(node)
        if key is not None and (key not in found or (_q(node) or 0) > (_q(found[key]) or 0)):
            found[key] = node
    return found


def _errors(before: Plan, after: Plan, threshold: float) -> tuple[tuple[ErrorChange, ...], tuple[ErrorChange, ...]]:
    old, new = _by_key(before), _by_key(after)
    gone: list[ErrorChange] = []
    come: list[ErrorChange] = []
    for key in dict.fromkeys([*old, *new]):
        a, b = old.get(key), new.get(key)
        q_a, q_b = (_q(a) if a else None), (_q(b) if b else None)
        was, is_now = (q_a or 0) >= threshold, (q_b or 0) >= threshold
        if was and not is_now and (b is None or q_b is not None):
            gone.append(ErrorChange(a, b, q_a, q_b))
        elif is_now and not was and (a is None or q_a is not None):
            come.append(ErrorChange(a, b, q_a, q_b))
    return tuple(gone), tuple(come)


def _moves(before: Join, after: Join) -> list[Move]:
    if sorted(before.outer.tables) != sorted(after.outer.tables):
        # Counted along other rows: the two figures are not comparable.
        return []
    old: dict[tuple[str, str], list[Border]] = {}
    for border in borders(before, "outer", "estimate"):
        old.setdefault((border.below, border.above), []).append(border)
    moves = []
    for now in borders(after, "outer", "estimate"):
        # the lead may pass between the same two methods more than once: the nearest is the one that moved
        was = min(old.get((now.below, now.above), ()), key=lambda b: _ratio(b, now), default=None)
        if was is not None and _apart(was, now):
            moves.append(Move(join_key(after)[0], now.below, now.above, was.rows, now.rows))
    return moves


def _ratio(a: Border, b: Border) -> float:
    low, high = sorted((max(a.rows, 1.0), max(b.rows, 1.0)))
    return high / low


def _apart(a: Border, b: Border) -> bool:
    return a.placed and b.placed and _ratio(a, b) > _MOVED and (a.high < b.low or b.high < a.low)


def times(before: Plan, after: Plan) -> Times:
    """Both plans' times and the chance of runs of one plan standing apart like that: 2 / C(n + m, n) where all runs of
    one side are faster than all of the other (the extreme case of the exact rank-sum test)."""
    a, b = _runs(before), _runs(after)
    apart = bool(a and b) and (max(a) < min(b) or max(b) < min(a))
    return Times(a, b, 2 / math.comb(len(a) + len(b), len(a)) if apart else None)


def _runs(plan: Plan) -> tuple[float, ...]:
    if plan.runs_ms:
        return plan.runs_ms
    return (plan.execution_ms,) if plan.execution_ms is not None else ()
