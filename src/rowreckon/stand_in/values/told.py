"""A map of values in the document's words: an entry for each plan at a place."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rowreckon.document.audit import PlanForValue

from .mapping import Answer, Known, PlannedValue, Stretch, ValueMap
from .places import Place
from .spread import shares_of

MOST_VALUES = 100
"""Most values that an entry names; the rest is in its share."""


def plans_for_values(place: Place, known: Known, found: ValueMap, own: Answer) -> tuple[PlanForValue, ...]:
    """The entries of one place, that of the query's own plan first; `own` is what the query's own value gives."""
    entries = [*_of_points(place, known, found, own), *(_of_stretch(place, found, s, own) for s in found.stretches)]
    return tuple(sorted(entries, key=lambda entry: not entry.own) if not found.stretches else entries)


def _of_points(place: Place, known: Known, found: ValueMap, own: Answer) -> Iterator[PlanForValue]:
    shares = shares_of(known.own) if known.own is not None else {}
    by_shape: dict[str, list[PlannedValue]] = {}
    for each in found.points:
        by_shape.setdefault(each.answer.shape, []).append(each)
    if found.others is not None:
        by_shape.setdefault(found.others.shape, [])
    for shape, points in by_shape.items():
        others = found.others if found.others is not None and found.others.shape == shape else None
        answers = [*(each.answer for each in points), *([others] if others is not None else [])]
        share = sum(shares.get(each.value.text, 0.0) for each in points)
        if others is not None and known.own is not None:
            share += known.own.rest
        yield PlanForValue(
            **_common(place, found, answers, own),
            values=tuple(each.value.text for each in points[:MOST_VALUES]),
            others=others is not None,
            row_share=share if known.own is not None else None,
        )


def _of_stretch(place: Place, found: ValueMap, stretch: Stretch, own: Answer) -> PlanForValue:
    entry = _common(place, found, [stretch.answer], own)
    return PlanForValue(
        **{**entry, "cost_low": stretch.costs[0], "cost_high": stretch.costs[1]},
        low=stretch.low.text if stretch.low is not None else None,
        high=stretch.high.text if stretch.high is not None else None,
        row_share=stretch.share,
    )


def _common(place: Place, found: ValueMap, answers: Sequence[Answer], own: Answer) -> dict[str, object]:
    shape = answers[0].shape
    return {
        "parameter": place.shown,
        "relation": place.column.relation.name,
        "tables": tuple(dict.fromkeys((*answers[0].tables, place.column.relation.name, place.column.alias))),
        "index": answers[0].indexes,
        "columns": (place.column.column.name,),
        "plan": shape,
        "differs": tuple(label for label in answers[0].labels if label not in own.labels),
        "own": shape == own.shape,
        "cost_low": min(answer.cost for answer in answers),
        "cost_high": max(answer.cost for answer in answers),
        "asked": found.count,
        "complete": found.complete,
        "asked_of": "stand_in",
    }
