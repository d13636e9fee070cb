"""For which values another plan comes, in words: a sentence or two a place, and a table on demand."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from rowreckon.document.audit import Plan, PlanForValue
from rowreckon.plural import counted
from rowreckon.report.words.escape import quote
from rowreckon.report.words.numbers import cost, listed

HEAD = ("where", "values", "rows", "cost", "plan")
_VALUES_SHOWN = 3
_VALUE = 40
_NODES_SHOWN = 3


def value_lines(plan: Plan) -> tuple[str, ...]:
    """Of each place what its values decide, those places first at which they decide anything."""
    told = [_place(entries) for entries in _places(plan)]
    return tuple(line for line, _ in sorted(told, key=lambda each: not each[1]))


def value_rows(plan: Plan) -> tuple[tuple[str, str, str, str, str], ...]:
    """A row for each entry: the place, the values, their share of the rows, the plan's cost, the plan."""
    return tuple(
        (quote(e.parameter, 80), _values(e), _share(e.row_share), _costs(e), quote(e.plan, 400))
        for entries in _places(plan)
        for e in entries
    )


def _places(plan: Plan) -> list[list[PlanForValue]]:
    return [list(entries) for _, entries in groupby(plan.values, key=lambda entry: entry.parameter)]


def _place(entries: Sequence[PlanForValue]) -> tuple[str, bool]:
    """The sentences of a place, and whether its values decide anything."""
    first = entries[0]
    where = quote(first.parameter, 80)
    if len({entry.plan for entry in entries}) == 1:
        every = "every value" if first.complete else f"{counted(first.asked or 0, 'value')} that were asked about"
        return f"The plan is the same for {every} in {where}.", False
    others = [entry for entry in entries if not entry.own]
    largest = max(others, key=lambda entry: entry.row_share or 0.0)
    mine = [entry.row_share for entry in entries if entry.own]
    plans = len({entry.plan for entry in others})
    rest = f"{plans} other plans" if plans > 1 else "another plan"
    told = f"{_share(sum(share or 0.0 for share in mine))} of the rows of {quote(first.relation or '')}"
    if not mine:
        told = "no value that was asked about"
    elif None in mine:
        told = "some values"
    rows = f", {_share(largest.row_share)} of the rows," if largest.row_share is not None else ""
    return (
        f"The value in {where} decides the plan. This one comes for {told}, {rest} for other values."
        f" For {_as_values(largest)}{rows} the plan {_goes(largest)}."
    ), True


def _goes(entry: PlanForValue) -> str:
    """What this plan has that the executed one has not."""
    if not entry.differs:
        return "takes fewer steps"
    more = len(entry.differs) - _NODES_SHOWN + 1
    shown = [quote(label, 80) for label in entry.differs]
    return f"goes by {listed(shown if more < 2 else [*shown[: _NODES_SHOWN - 1], f'{more} more steps'])}"


def _as_values(entry: PlanForValue) -> str:
    """Which values, named as such where a bare one could be read as a word of the sentence."""
    named = _values(entry)
    if entry.values:
        return f"the value{'s' if len(entry.values) > 1 or entry.others else ''} {named}"
    return f"the value {named}" if _is_single(entry) else named


def _values(entry: PlanForValue) -> str:
    """Which values: single ones, a stretch, or all others."""
    if entry.values or entry.others:
        named = [quote(value, _VALUE) for value in entry.values]
        if entry.others:
            rest = "all other values" if named else "all values that are not common"
            return listed([*named[: _VALUES_SHOWN - 1], rest] if len(named) < _VALUES_SHOWN else _cut(named, rest))
        return listed(named, _VALUES_SHOWN)
    if entry.low is None and entry.high is None:
        return "every value"
    if entry.low is None:
        return f"values up to {quote(entry.high or '', _VALUE)}"
    if entry.high is None:
        return f"values from {quote(entry.low, _VALUE)} on"
    if _is_single(entry):
        return quote(entry.low, _VALUE)
    return f"values from {quote(entry.low, _VALUE)} to {quote(entry.high, _VALUE)}"


def _is_single(entry: PlanForValue) -> bool:
    """Whether a stretch is one value; of two masked ends nobody knows that they are the same."""
    if entry.low is None or entry.low != entry.high:
        return False
    from rowreckon.sql.masking import MASKED  # it loads the grammar, which no plan without values needs

    return entry.low != MASKED


def _cut(named: list[str], rest: str) -> list[str]:
    return [*named[: _VALUES_SHOWN - 1], f"{len(named) - _VALUES_SHOWN + 1} more", rest]


def _share(share: float | None) -> str:
    """A percentage with one decimal where that tells more; never 0% for something or 100% for less than all."""
    if share is None:
        return "an unknown share"
    percent = 100 * min(1.0, max(0.0, share))
    if percent < 0.05:
        return "under 0.1%"
    if 99.95 <= percent < 100 - 1e-4:
        return "over 99.9%"
    return f"{percent:.1f}".removesuffix(".0") + "%"


def _costs(entry: PlanForValue) -> str:
    low, high = cost(entry.cost_low), cost(entry.cost_high)
    return low if low == high else f"{low} to {high}"
