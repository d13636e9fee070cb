"""Which decades of a logarithmic scale get a label: the last in any case, and of the others as many as fit."""

from __future__ import annotations

from collections.abc import Sequence

Span = tuple[float, float]


def short_decade(exponent: int) -> str:
    """`1`, `100`, `10k`, `1M`: a power of ten in few letters."""
    for step, letter in ((12, "T"), (9, "G"), (6, "M"), (3, "k")):
        if exponent >= step:
            return f"{10 ** (exponent - step)}{letter}"
    return str(10**exponent)


def fitting(spans: Sequence[Span], gap: float) -> list[int]:
    """The places of the labels that fit with `gap` between them; `spans`, at least one, say where each begins
    and ends, in rising order. The last is always among them: the largest counts stand there."""
    kept: list[int] = []
    free, last = float("-inf"), spans[-1][0] - gap
    for place, (left, right) in enumerate(spans[:-1]):
        if left >= free and right <= last:
            kept.append(place)
            free = right + gap
    return [*kept, len(spans) - 1]


def centred(at: float, wide: float, whole: float) -> Span:
    """Where a label of this width begins and ends: its middle `at`, but all of it within 0 to `whole`."""
    left = max(0.0, min(at - wide / 2, whole - wide))
    return left, left + wide
