"""Asking for a plan value by value: which values of one place of a query give which plan.

For `=`, and in lists, the planner looks a value up among the common ones; all others share one estimate. For `<` and
its kin an estimate grows with the value, evenly between two neighbours of what the planner knows of the column: the
bounds of its histogram and its common values. Both are asked about at each of these, and where two neighbours get
different plans what lies between them is halved until no value is left in between, or no halving is.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from typing import Any, Final

from rowreckon.frozen import frozen

from .kinds import Kind, Value
from .spread import Spread

MOST_ASKED: Final = 500
"""Most plans that are asked for at one place: a histogram of 100 parts, 100 common values, and halving; no source."""
_HALVINGS: Final = 24
"""Most halvings between two neighbours; a day is then found in 45,000 years."""
_ENOUGH: Final = 300
"""Plans after which what lies between two of one plan is not checked any more; no source."""
_OTHERS: Final = 20
"""Values that stand for all which are not common, where nothing sets one of them apart."""


@frozen
class Answer:
    """A plan: its shape in one line, its nodes, its total cost (planner units), and the names that stand in it."""

    shape: str
    labels: tuple[str, ...]
    cost: float
    tables: tuple[str, ...] = ()
    indexes: tuple[str, ...] = ()


@frozen
class PlannedValue:
    """A value and the plan that it gives."""

    value: Value
    answer: Answer


@frozen
class Stretch:
    """Values from `low` to `high`, both asked, all in one plan; None is an open end. `costs` are the least and most."""

    low: Value | None
    high: Value | None
    answer: Answer
    share: float | None
    costs: tuple[float, float]


@frozen
class ValueMap:
    """The plans by value: of single `points`, of `others` that are none of them, and of `stretches` of an order.

    `count` is how many plans were asked for; `complete` whether every value has its place in the map.
    """

    points: tuple[PlannedValue, ...]
    others: Answer | None
    stretches: tuple[Stretch, ...]
    count: int
    complete: bool


Ask = Callable[[Value], Answer | None]


class Asking:
    """Asks for each value once, as long as there is room; what could not be planned counts, and is left out."""

    def __init__(self, ask: Ask, most: int = MOST_ASKED) -> None:
        self._ask = ask
        self._most = most
        self._known: dict[str, Answer | None] = {}

    @property
    def count(self) -> int:
        """How many plans were asked for."""
        return len(self._known)

    @property
    def left(self) -> int:
        """How many more may be."""
        return self._most - self.count

    def __call__(self, value: Value) -> PlannedValue | None:
        if value.text not in self._known:
            if self.left <= 0:
                return None
            self._known[value.text] = self._ask(value)
        answer = self._known[value.text]
        return PlannedValue(value, answer) if answer is not None else None

    def all_of(self, values: Sequence[Value]) -> list[PlannedValue]:
        """Those that were answered, in order."""
        return [asked for value in values if (asked := self(value)) is not None]


@frozen
class Known:
    """What is known of a place beforehand: the spread of its own column, those of all that the planner may look at
    besides, and values that definitions or the query name; `set_apart` where definitions do."""

    kind: Kind
    own: Spread | None
    around: tuple[Spread, ...]
    named: tuple[Value, ...]
    set_apart: bool = False

    @property
    def common(self) -> list[Value]:
        """Common values, the most common first."""
        weighed: dict[Value, float] = {}
        for spread in (*self.around, *([self.own] if self.own else [])):
            for value, share in spread.common:
                weighed[value] = max(share, weighed.get(value, 0.0))
        return sorted(weighed, key=lambda value: -weighed[value])

    @property
    def bounds(self) -> list[Value]:
        """Bounds of histograms."""
        return list(dict.fromkeys(value for spread in self.around for value in spread.bounds))


def map_equal(known: Known, ask: Asking) -> ValueMap:
    """The plans for `column = value`."""
    points = list(dict.fromkeys([*known.named, *known.common, *known.kind.all_values]))
    listed = set(points)
    apart = _ordered([value for value in known.bounds if value not in listed])
    ends = _beyond(known, [*points, *apart])
    few = _evenly(apart, MOST_ASKED // 3 if known.set_apart else _OTHERS)
    others = ask.all_of(_ordered([*few, *ends]) or _made_up(known.kind, listed))
    asked = ask.all_of(points)
    complete = len(asked) == len(points)
    if len({each.answer.shape for each in others}) <= 1:
        rest = others[0].answer if others else None
        return ValueMap(
            tuple(asked), rest, (), ask.count, complete and (rest is not None or bool(known.kind.all_values))
        )
    if known.kind.write is None and not known.kind.ends:
        return ValueMap((*asked, *others), None, (), ask.count, complete=False)
    stretches, whole = _stretches(known, others, ask, ends)
    return ValueMap(tuple(asked), None, stretches, ask.count, complete and whole)


def map_listed(values: Sequence[Value], ask: Asking) -> ValueMap:
    """The plans for these values alone: what lies between them, nothing tells."""
    return ValueMap(tuple(ask.all_of(values)), None, (), ask.count, complete=False)


def map_ordered(known: Known, ask: Asking) -> ValueMap:
    """The plans for `column < value` and its kin; the kind has an order."""
    probes = _ordered([*known.bounds, *known.common, *known.named, *known.kind.all_values])
    beyond = _beyond(known, probes)
    thinned = _evenly(probes, MOST_ASKED // 2)
    asked = ask.all_of(_ordered([*thinned, *known.named, *beyond]))
    stretches, whole = _stretches(known, asked, ask, beyond)
    return ValueMap((), None, stretches, ask.count, whole and (bool(beyond) or bool(known.kind.all_values)))


def _stretches(
    known: Known, asked: Sequence[PlannedValue], ask: Asking, beyond: Sequence[Value]
) -> tuple[tuple[Stretch, ...], bool]:
    """Runs of one plan after halving between neighbours of two, and whether no value is left between two runs."""
    found = list(asked)
    for left, right in itertools.pairwise(asked):
        if left.answer.shape != right.answer.shape:
            found += _halved(known.kind, left, right, ask)
    found += _checked(known, found, ask)
    in_order = {each.value.at: each for each in found}
    runs: list[list[PlannedValue]] = []
    for place in sorted(in_order):  # type: ignore[type-var]
        each = in_order[place]
        if runs and runs[-1][-1].answer.shape == each.answer.shape:
            runs[-1].append(each)
        else:
            runs.append([each])
    whole = all(_adjacent(known.kind, a[-1].value, b[0].value) for a, b in itertools.pairwise(runs))
    return tuple(_told(runs, known.own, beyond)), whole


def _halved(kind: Kind, left: PlannedValue, right: PlannedValue, ask: Asking) -> list[PlannedValue]:
    """Values between two of different plans, until each border is as narrow as it gets."""
    found: list[PlannedValue] = []
    waiting = [(left, right, 0)]
    while waiting:
        low, high, depth = waiting.pop()
        if low.answer.shape == high.answer.shape or depth >= _HALVINGS:
            continue
        middle = kind.between(low.value.at, high.value.at)  # type: ignore[arg-type]
        asked = ask(middle) if middle is not None else None
        if asked is None:
            continue
        found.append(asked)
        waiting += [(low, asked, depth + 1), (asked, high, depth + 1)]
    return found


def _checked(known: Known, asked: Sequence[PlannedValue], ask: Asking) -> list[PlannedValue]:
    """Values half-way between neighbours of one plan, as many as there is room for: another between them is halved."""
    found: list[PlannedValue] = []
    in_order = sorted(asked, key=_place)
    for left, right in itertools.pairwise(in_order):
        if left.answer.shape != right.answer.shape or ask.count >= _ENOUGH or ask.left <= _HALVINGS:
            continue
        middle = known.kind.between(left.value.at, right.value.at)  # type: ignore[arg-type]
        between = ask(middle) if middle is not None else None
        if between is not None and between.answer.shape != left.answer.shape:
            found += [between, *_halved(known.kind, left, between, ask), *_halved(known.kind, between, right, ask)]
    return found


def _told(runs: Sequence[Sequence[PlannedValue]], own: Spread | None, beyond: Sequence[Value]) -> list[Stretch]:
    """The runs; an end is open where a value beyond all others was asked."""
    found: list[Stretch] = []
    before = 0.0
    for number, run in enumerate(runs):
        last = number == len(runs) - 1
        share = None
        if own is not None:
            upto = 1.0 - own.nulls if last else own.up_to(run[-1].value.at)  # type: ignore[arg-type]
            share, before = max(0.0, upto - before), max(before, upto)
        costs = [each.answer.cost for each in run]
        low = None if number == 0 and run[0].value in beyond else run[0].value
        high = None if last and run[-1].value in beyond else run[-1].value
        found.append(Stretch(low, high, run[0].answer, share, (min(costs), max(costs))))
    return found


def _adjacent(kind: Kind, low: Value, high: Value) -> bool:
    return kind.whole and isinstance(low.at, int) and isinstance(high.at, int) and high.at - low.at == 1


def _beyond(known: Known, values: Sequence[Value]) -> list[Value]:
    places: list[Any] = [value.at for value in values if value.at is not None]
    return known.kind.beyond(min(places), max(places)) if places else []


def _made_up(kind: Kind, listed: set[Value]) -> list[Value]:
    """A value that is none of those listed, for a column of which nothing but common values is known."""
    for text in ("no value of these", "1", "1970-01-01", "00000000-0000-0000-0000-000000000000"):
        value = kind.read(text)
        if value is not None and value not in listed:
            return [value]
    return []


def _ordered(values: Sequence[Value]) -> list[Value]:
    """Each value once, by its place; those without one keep their order, behind the others."""
    once = list(dict.fromkeys(values))
    placed = {value.at: value for value in reversed(once) if value.at is not None}
    return [*(placed[place] for place in sorted(placed)), *(value for value in once if value.at is None)]


def _evenly(values: Sequence[Value], most: int) -> list[Value]:
    """At most so many of the values, evenly apart, both ends among them."""
    if len(values) <= most:
        return list(values)
    return [values[round(n * (len(values) - 1) / (most - 1))] for n in range(most)]


def _place(asked: PlannedValue) -> Any:
    return asked.value.at
