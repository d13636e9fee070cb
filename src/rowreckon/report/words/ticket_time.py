"""How long one plan ran and where the time went, in a sentence or two of at most 25 words each."""

from __future__ import annotations

from rowreckon.document.audit import Join, Plan, TimeElsewhere
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.headline import joins_by_weight
from rowreckon.report.words.join_words import loss_factor_words
from rowreckon.report.words.numbers import listed, milliseconds, number
from rowreckon.report.words.ticket_words import rows_words, short_names
from rowreckon.report.words.time_words import elsewhere_place, elsewhere_sorted, join_time, judged_joins


def time_line(plan: Plan) -> str:
    """`Ran 117 ms, 84% of it in the crossed join.`; of several joins also what the one shown takes. Empty where no
    time is known."""
    if plan.execution_ms is None:
        return ""
    ran = f"Ran {milliseconds(plan.execution_ms)}"
    wrong = judged_joins(plan)
    spent = join_time(plan, wrong)
    if not wrong or spent.ms is None or not plan.execution_ms:
        top = _elsewhere(plan)
        return f"{ran}, {top}." if top else f"{ran}."
    kind = wrong[0].verdict if len({join.verdict for join in wrong}) == 1 else "misestimated"
    which = f"the {kind} join" if len(wrong) == 1 else f"{number(len(wrong))} {kind} joins"
    top = _elsewhere(plan) if spent.ms < plan.execution_ms / 2 else ""
    rest = f", and {top}" if top else ""
    return f"{ran}, {spent.share} of it in {which}{rest}.{_of_the_one_shown(plan, wrong)}"


def _of_the_one_shown(plan: Plan, wrong: list[Join]) -> str:
    """What the join takes that the ticket shows, and why it is that one."""
    shown = joins_by_weight(plan)[0]
    others = [join for join in wrong if join.node != shown.node]
    mine, rest = join_time(plan, [shown]), join_time(plan, others)
    if not others or len(others) == len(wrong) or mine.share is None or rest.share is None:
        return ""
    if shown.verdict != "crossed":
        return f" The one shown takes {mine.share}.{_undecided(plan, others)}"
    worst = max(others, key=lambda join: join.loss_factor or 1.0)
    loss = loss_factor_words(worst)
    whom, most = ("The other takes", "") if len(others) == 1 else ("The others take", "up to ")
    dear = f", at {most}{loss} the cheapest method's cost" if loss else ""
    return f" The one shown takes {mine.share} and loses most time. {whom} {rest.share}{dear}."


def _undecided(plan: Plan, others: list[Join]) -> str:
    """The first of the other joins whose verdict is open, and how far its estimate was off: it may have crossed."""
    first = next((join for join in joins_by_weight(plan) if join in others and join.verdict == "undecided"), None)
    if first is None:
        return ""
    inner = listed([quote(name, 60) for name in short_names(first.inner.tables)], 3)
    whom = f"The join with {inner}" if inner else "Another join"
    rows = rows_words(first)
    return f" {whom} is undecided: {rows[:1].lower()}{rows[1:]}."


def _elsewhere(plan: Plan) -> str:
    """The largest part of the time that no judged join accounts for."""
    top = next((item for item in elsewhere_sorted(plan) if item.ms), None)
    return f"{milliseconds(top.ms)} of it in {_place(plan, top)}" if top is not None else ""


def _place(plan: Plan, item: TimeElsewhere) -> str:
    place = elsewhere_place(plan, item) or clean(item.fact).rstrip(".")
    return f"{place}, which went to disk" if item.kind == "spill" else place
