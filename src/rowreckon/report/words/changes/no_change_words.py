"""Why no change is proposed."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.document.audit import Plan
from rowreckon.report.words.join_figures import is_tied


def no_change_words(plans: Sequence[Plan]) -> str:
    """One sentence for these plans, none of which has a change to try."""
    joins = [join for plan in plans for join in plan.joins]
    if any(join.verdict == "crossed" for join in joins):
        if any(_is_explained(plan) for plan in plans):
            return "No change is proposed: none is known that answers the cause and is worth it."
        return "No change is proposed: the evidence does not tell why the estimates were wrong."
    undecided = [join for join in joins if join.verdict == "undecided"]
    if undecided and any(plan.missing for plan in plans):
        return "No change is proposed before the missing evidence is in."
    if undecided and all(is_tied(join) for join in undecided):
        return "No change is proposed: another join method would cost the same within 1%, so it would win nothing."
    if undecided:
        return "No change is proposed: nothing at hand tells whether another join method is cheaper."
    if not any(plan.analyzed for plan in plans):
        return "No change is proposed: without a run to its end no misestimate is known."
    if any(join.verdict == "held" for join in joins):
        return "No change is proposed: the misestimates harm no join method, so there is nothing to win there."
    return "No change is proposed: no misestimate was found that would carry one."


def _is_explained(plan: Plan) -> bool:
    """Whether a cause is known for one of the plan's crossed joins."""
    crossed = {join.node for join in plan.joins if join.verdict == "crossed"}
    return any(finding.code != "unexplained" and crossed & set(finding.joins) for finding in plan.findings)
