"""Where along the rows the lead between join methods changes: all crossings, to the row.

The lead is looked up on a logarithmic grid that holds the estimate and the actual, and every change is narrowed down to
two neighbouring whole numbers. Cost curves need not be monotone nor their difference have one root (sorts and hash
tables outgrow memory, index pages saturate), so that nothing is assumed between grid points but that the lead changes
at most a few times.
Source for several crossings: N. Reddy, J. Haritsa, "Analyzing Plan Diagrams of Database Query Optimizers", VLDB 2005.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import floor

from rowreckon.frozen import frozen
from rowreckon.report.document import Method

Leader = Callable[[float], Method | None]
_PER_DECADE = 2
_CLOSE = 4.0
_SPAN = 128.0
"""A nested loop's cost may fall again as its rows grow (index_pages_fetched saturates): look between what is so far
apart."""
_MOST_CHANGES = 12


@frozen
class Border:
    """`below` leads up to `rows` - 1, `above` from `rows` on (whole planner rows)."""

    below: Method
    above: Method
    rows: float


def grid(marks: Sequence[float], highest: float) -> list[float]:
    """Whole row counts from 1 to `highest`, a few a decade, with the marks among them."""
    points = ends_of(marks, highest)
    step = 10.0 ** (1.0 / _PER_DECADE)
    here = 1.0
    while here < highest:
        points.add(float(round(here)))
        here *= step
    return sorted(points)


def sounded(marks: Sequence[float], highest: float, far: Callable[[float], Method | None]) -> list[float]:
    """Whole row counts from 1 to `highest` with the marks among them, denser where the lead is not clear.

    `far` names the leader at a row count where it leads by far, None where others come near: between two row counts at
    which the same method leads by far, and which are not many times apart, nothing is looked up.
    """
    rows = sorted(ends_of(marks, highest))
    clear = [far(n) for n in rows]
    found = [rows[0]]
    stack = [(rows[n], clear[n], rows[n + 1], clear[n + 1]) for n in range(len(rows) - 2, -1, -1)]
    while stack:
        low, below, high, above = stack.pop()
        middle = float(round((low * high) ** 0.5))
        alike = below is not None and below == above and high <= low * _SPAN
        if alike or high <= low * _CLOSE or not low < middle < high:
            found.append(high)
            continue
        at = far(middle)
        stack += [(middle, at, high, above), (low, below, middle, at)]
    return found


def ends_of(marks: Sequence[float], highest: float) -> set[float]:
    """One row, the highest count and the marks between, as whole numbers."""
    return {1.0, float(round(highest)), *(float(max(round(m), 1)) for m in marks if m <= highest)}


def find_borders(leader: Leader, rows: Sequence[float], leaders: Sequence[Method | None]) -> list[Border]:
    """Every change of the lead along the grid, each between two neighbouring whole numbers.

    `leaders` are the leaders at the grid's points.
    """
    found: list[Border] = []
    for at in range(len(rows) - 1):
        _narrow(leader, rows[at], leaders[at], rows[at + 1], leaders[at + 1], found)
    return found


def _narrow(
    leader: Leader, low: float, below: Method | None, high: float, above: Method | None, found: list[Border]
) -> None:
    while below != above and below is not None and above is not None and len(found) < _MOST_CHANGES:
        left, left_lead, right = low, below, high
        right_lead: Method | None = above
        while right - left > 1.0:
            middle = float(floor((left + right) / 2)) if right - left < 64 else float(round((left * right) ** 0.5))
            middle = min(max(middle, left + 1.0), right - 1.0)
            lead = leader(middle)
            if lead == left_lead:
                left = middle
            else:
                right, right_lead = middle, lead
        if right_lead is None:
            return
        found.append(Border(left_lead, right_lead, right))
        if right_lead == above:
            return
        low, below = right, right_lead


def flip_interval(leads: Callable[[float], bool], border: float, *, reach: int = 2) -> tuple[float, float]:
    """First and last row count near a border at which the lead wobbles, since page counts come in steps.

    `leads` tells whether the method below the border still leads. The result encloses the border.
    """
    low = high = border
    for step in range(1, reach + 1):
        if border - step >= 1 and not leads(border - step):
            low = border - step
        if leads(border + step):
            high = border + step + 1
    return low, high
