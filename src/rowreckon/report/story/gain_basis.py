"""What a change may bring back on the first screen, and what the figures there are ratios of.

The headline compares join methods, each at its cheapest way. The gain compares the join as it ran, with all that it
reads, against the cheapest way. A reader who meets both is told what each is of.
"""

from __future__ import annotations

from rowreckon.document.audit import Join, Plan, Remedy
from rowreckon.report.words.join_words import loss_factor_words
from rowreckon.report.words.numbers import milliseconds, number, times
from rowreckon.report.words.sentences import method_name

_SAME = 1.02


def gain_basis(plan: Plan, index: int, join: Join | None, remedy: Remedy) -> str:
    """What the gain of a change is reckoned of, beside the factor of the crossed join shown; empty where no two
    figures stand side by side. `index` is the plan's in the audit."""
    gain, ratio = remedy.expected_gain_ms, remedy.cost_ratio
    if gain is None or ratio is None or remedy.trial is not None or join is None or join.verdict != "crossed":
        return ""
    shown = loss_factor_words(join)
    if not shown or join.loss_factor is None:
        return ""
    found = [ref.finding for ref in remedy.findings if ref.plan == index and ref.finding < len(plan.findings)]
    harmed = {node for number_ in found for node in plan.findings[number_].joins}
    if join.node not in harmed or len({ref.plan for ref in remedy.findings}) > 1:
        return ""
    if len(harmed) > 1:
        return f"The {milliseconds(gain.high)} count {number(len(harmed))} joins, each with its inputs."
    if max(ratio, join.loss_factor) > _SAME * min(ratio, join.loss_factor):
        best = method_name(join.best_at_actual or join.method)
        return (
            f"The {milliseconds(gain.high)} rest on the join as it ran: {times(ratio)} the {best}'s cost. "
            f"The verdict compares the cheapest {method_name(join.method)}: {shown}."
        )
    spent = _with_inputs(plan, join)
    adds_up = gain.high <= _SAME * spent * (1 - 1 / join.loss_factor)  # else rounded times of many loops are part of it
    took = f", which took {milliseconds(spent)}" if adds_up else ""
    return f"The costs compared are of the join with its inputs{took}."


def _with_inputs(plan: Plan, join: Join) -> float:
    """Milliseconds of the join and all below it, as far as they are known."""
    below = [node.own_ms for node in plan.nodes if node.path[: len(join.path)] == join.path]
    return sum(ms for ms in below if ms is not None)
