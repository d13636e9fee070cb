"""How long one plan ran and where the time went, in a sentence or two of at most 25 words each."""

from __future__ import annotations

from rowreckon.document.audit import Join, Plan, TimeElsewhere
from rowreckon.report.words.escape import clean
from rowreckon.report.words.headline import joins_by_weight
from rowreckon.report.words.numbers import milliseconds, number
from rowreckon.report.words.time_words import JoinTime, elsewhere_place, elsewhere_sorted, join_time, judged_joins


def time_line(plan: Plan) -> str:
    """`Ran 117 ms, 84% of it in the crossed join.`; of several joins what the one shown takes. Empty where no time is
    known."""
    if plan.execution_ms is None:
        return ""
    ran = f"Ran {milliseconds(plan.execution_ms)}"
    wrong = judged_joins(plan)
    spent = join_time(plan, wrong)
    if not wrong or spent.ms is None or not plan.execution_ms:
        top = _elsewhere(plan)
        return f"{ran}, {top}." if top else f"{ran}."
    top = _elsewhere(plan) if spent.ms < plan.execution_ms / 2 else ""
    rest = f", and {top}" if top else ""
    return f"{ran}, {_in_joins(plan, wrong, spent)}{rest}."


def _in_joins(plan: Plan, wrong: list[Join], spent: JoinTime) -> str:
    """`84% of it in the crossed join`; of several, what the one takes that is shown, and all of them together."""
    shown = joins_by_weight(plan)[0]
    mine = join_time(plan, [shown])
    if len(wrong) > 1 and shown in wrong and mine.share is not None:
        kind, count = _kind(wrong), number(len(wrong))
        every = f"both {kind} joins" if len(wrong) == 2 else f"all {count} {kind} joins"
        together = f" ({spent.share} in {every})" if spent.share != mine.share else f", one of {count} {kind} joins"
        return f"{mine.share} of it in the {shown.verdict} join shown{together}"
    which = f"the {_kind(wrong)} join" if len(wrong) == 1 else f"{number(len(wrong))} {_kind(wrong)} joins"
    return f"{spent.share} of it in {which}"


def _kind(joins: list[Join]) -> str:
    return joins[0].verdict if len({join.verdict for join in joins}) == 1 else "misestimated"


def _elsewhere(plan: Plan) -> str:
    """The largest part of the time that no judged join accounts for."""
    top = next((item for item in elsewhere_sorted(plan) if item.ms), None)
    return f"{milliseconds(top.ms)} of it in {_place(plan, top)}" if top is not None else ""


def _place(plan: Plan, item: TimeElsewhere) -> str:
    place = elsewhere_place(plan, item) or clean(item.fact).rstrip(".")
    return f"{place}, which went to disk" if item.kind == "spill" else place
