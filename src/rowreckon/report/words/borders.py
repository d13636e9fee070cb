"""Which border between join methods a verdict speaks of, and which method holds each stretch between borders.

The words and the ruler both start from here, so that neither can contradict the other.
"""

from __future__ import annotations

import itertools
from typing import Literal

from rowreckon.document.audit import Join, JoinSide, SwitchPoint
from rowreckon.frozen import frozen

Side = Literal["outer", "inner"]

_SAME = 1.02


@frozen
class Border:
    """One switch point: `below` is cheapest under `rows`, `above` from there on; rows of `side`."""

    side: Side
    rows: float
    low: float
    high: float
    below: str
    above: str
    inner_at: Literal["estimate", "actual"]
    inner_rows: float | None
    placed: bool = True
    """Whether one figure stands for it: else it lies anywhere between `low` and `high`."""

    @property
    def is_wide(self) -> bool:
        """Whether the evidence leaves more than a twentieth of play."""
        return self.high > self.low * 1.05


def border_of(point: SwitchPoint) -> Border | None:
    """The switch point as a border, or None where it names no row count."""
    rows = point.outer_rows
    if point.along == "inner":
        rows = point.inner_from_rows if point.inner_from_rows is not None else point.inner_rows
    low, high = point.low, point.high
    placed = rows is not None
    if rows is None:
        if low is None or high is None:
            return None
        rows = (max(low, 1.0) * max(high, 1.0)) ** 0.5
    rows = max(rows, 1.0)  # no row count below one is told apart, here as on the ruler
    low = max(1.0, min(rows, low)) if low is not None else rows
    high = max(rows, high) if high is not None else rows
    return Border(point.along, rows, low, high, point.from_, point.to, point.inner_at, point.inner_rows, placed)


def borders(join: Join, side: Side, inner_at: Literal["estimate", "actual"]) -> list[Border]:
    """The borders of one set, in rising order."""
    found = [border_of(p) for p in join.switch_points if p.along == side and p.inner_at == inner_at]
    return sorted((b for b in found if b is not None), key=lambda b: b.rows)


def inner_border_set(join: Join) -> list[Border]:
    """The borders along the inner rows, wherever the document says that the rest stands."""
    return borders(join, "inner", "actual") or borders(join, "inner", "estimate")


def in_line(chain: list[Border]) -> bool:
    """Whether each border hands over to the next: what is cheapest above one is cheapest below its successor."""
    return all(left.above == right.below for left, right in itertools.pairwise(chain))


def cheapest_at(chain: list[Border], rows: float) -> str | None:
    """The method that the chain says is cheapest at `rows`; None without a chain or within a border's interval."""
    if not chain:
        return None
    rows = max(rows, 1.0)  # as on the ruler's line, and as a q-error counts
    for border in chain:
        if border.is_wide and border.low <= rows < border.high:
            return None
        if rows < border.rows:
            return border.below
    return chain[-1].above


def inner_differs(join: Join) -> bool:
    """Whether the inner side's actual rows are known and more than a fiftieth off what was expected."""
    return _differs(join.inner)


def outer_differs(join: Join) -> bool:
    """The same of the outer side."""
    return _differs(join.outer)


def _differs(side: JoinSide) -> bool:
    expected, came = side.estimated_rows, side.actual_rows
    if expected is None or came is None:
        return False
    low, high = sorted((max(expected, 1.0), max(came, 1.0)))
    return round(low) != round(high) and high > low * _SAME


def _crossed_on_the_way(chain: list[Border], start: float, end: float, winner: str) -> Border | None:
    """The border between start and end beyond which `winner` leads: the last one passed on the way."""
    if end >= start:
        passed = [b for b in chain if start < b.high and b.rows <= end and b.above == winner]
        return passed[-1] if passed else None
    passed = [b for b in chain if end < b.rows and b.low <= start and b.below == winner]
    return passed[0] if passed else None


def deciding_border(join: Join) -> Border | None:
    """The border that a crossed join was carried over, or None where the document names none."""
    winner = join.best_at_actual
    if winner is None or winner == join.method:
        return None
    expected, came = join.outer.estimated_rows, join.outer.actual_rows
    if expected is not None and came is not None:
        for at in ("actual", "estimate") if inner_differs(join) else ("estimate", "actual"):
            hit = _crossed_on_the_way(borders(join, "outer", at), expected, came, winner)
            if hit:
                return hit
    expected, came = join.inner.estimated_rows, join.inner.actual_rows
    if expected is not None and came is not None:
        hit = _crossed_on_the_way(inner_border_set(join), expected, came, winner)
        if hit:
            return hit
    return None if join.switch_points else verdict_border(join)


def verdict_border(join: Join) -> Border | None:
    """What a crossed verdict alone says of the border: somewhere between the rows that were expected and those that
    came. None where both sides moved, so that no one line leads from the one to the other."""
    winner = join.best_at_actual
    if join.verdict != "crossed" or winner is None or winner == join.method:
        return None
    if not inner_differs(join):
        return _between("outer", join.outer, join.method, winner)
    return None if _differs(join.outer) else _between("inner", join.inner, join.method, winner)


def _between(side: Side, rows: JoinSide, start: str, end: str) -> Border | None:
    if rows.estimated_rows is None or rows.actual_rows is None or not _differs(rows):
        return None
    expected, came = max(rows.estimated_rows, 1.0), max(rows.actual_rows, 1.0)
    low, high = sorted((expected, came))
    below, above = (start, end) if came > expected else (end, start)
    return Border(side, (low * high) ** 0.5, low, high, below, above, "estimate", None, placed=False)


def next_border(join: Join) -> Border | None:
    """The nearest border that the outer rows have not crossed, seen from the actual rows (else from the estimate)."""
    here = join.outer.actual_rows if join.outer.actual_rows is not None else join.outer.estimated_rows
    if here is None:
        return None
    seen = borders(join, "outer", "actual") if inner_differs(join) else []
    near = [b for b in seen or borders(join, "outer", "estimate") if join.method in (b.below, b.above)]
    start = max(here, 1.0)
    return min(
        near, key=lambda b: max(b.rows, 1.0) / start if b.rows > here else start / max(b.rows, 1.0), default=None
    )
