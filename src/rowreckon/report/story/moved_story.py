"""How far facts may move before the planner joins otherwise, in one sentence."""

from __future__ import annotations

from rowreckon.document.audit import Plan
from rowreckon.plural import counted
from rowreckon.report.words.changes.touch_words import limit_words
from rowreckon.report.words.sentences import method_name


def moved_line(plan: Plan) -> str | None:
    """The sentence, of the first misestimated join that a fact turns; None where nobody was asked."""
    methods = {join.node: join.method for join in plan.joins}
    asked = [each for each in plan.moved_facts if each.turns_at and each.join in methods]
    if not asked:
        return None
    for each in asked:
        if held := limit_words(each):
            return f"On a stand-in the planner keeps the {method_name(methods[each.join or 0])} {held}."
    moved = counted(max(len(each.turns_at) for each in asked), "fact")
    return f"On a stand-in the planner keeps its join methods as far as {moved} were moved, each alone."
