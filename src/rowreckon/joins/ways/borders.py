"""Where along the rows the lead between join methods changes: all crossings, to the row.

The lead is looked up at the estimate, the actual and wherever it could change in between, and every change is narrowed
down to two neighbouring whole numbers. Cost curves need not be monotone nor their difference have one root (sorts and
hash tables outgrow memory, index pages saturate): the closer two methods are, the denser it is looked up.
Source for several crossings: N. Reddy, J. Haritsa, "Analyzing Plan Diagrams of Database Query Optimizers", VLDB 2005.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import floor, inf
from typing import NamedTuple

from rowreckon.cost import STD_FUZZ_FACTOR
from rowreckon.document.audit import Method
from rowreckon.frozen import frozen

Leader = Callable[[float], Method | None]
_PER_DECADE = 2
_CLOSE = 4.0
_CLOSEST = 1.3
_TIED = 1.6
"""Where two methods cost the same within the planner's tolerance, a small step of either turns the lead: look between
rows that are so many times apart (common practice, no source)."""
_SPAN = 128.0
"""A nested loop's cost may fall again as its rows grow (index_pages_fetched saturates): look between what is so far
apart, whatever the lead."""
_MOST_CHANGES = 12


@frozen
class LeadChange:
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


class Kink(NamedTuple):
    """A row count after which a cost goes on otherwise.

    That of one of `method`'s ways steps up, if one is named; if it `falls`, some cost may do so from there on.
    """

    rows: float
    method: Method | None = None
    falls: bool = False


@frozen
class Lead:
    """Who leads at a row count: the method, its cost, and the least cost of any other method (planner cost)."""

    method: Method | None
    cost: float
    next: float


def sounded(
    marks: Sequence[float], highest: float, lead: Callable[[float], Lead], kinks: Sequence[Kink] = ()
) -> list[float]:
    """Whole row counts from 1 to `highest` with the marks among them, denser where the lead is not clear.

    Each of the `kinks` is looked at, and the row after it where the leader's own cost may step up there.
    """
    rows = sorted(ends_of(marks, highest))
    leads = [lead(n) for n in rows]
    falls = min((k.rows for k in kinks if k.falls), default=inf)
    found = [rows[0]]
    stack = [(rows[n], leads[n], rows[n + 1], leads[n + 1]) for n in range(len(rows) - 2, -1, -1)]
    while stack:
        low, below, high, above = stack.pop()
        inside = [k for k in kinks if low < k.rows < high]
        stepped = any(k.rows == low and k.method is not None and k.method == below.method for k in kinks)
        rising = high <= falls and all(k.method is not None for k in inside)
        middle = inside[0].rows if inside else float(round((low * high) ** 0.5))
        if stepped:
            middle = low + 1.0
        clear = _clear(below, above, high / low, rising=rising, smooth=not inside and not stepped)
        if clear or not low < middle < high:
            found.append(high)
            continue
        at = lead(middle)
        stack += [(middle, at, high, above), (low, below, middle, at)]
    return found


def _clear(below: Lead, above: Lead, apart: float, *, rising: bool, smooth: bool) -> bool:
    """Whether no other method can lead between two row counts that are so many times apart.

    `rising` costs never get less, so that a leader that stays below what the others began at is not beaten; nearby no
    cost falls by much. `smooth` ones grow in proportion to the rows at most, so that a lead can't be lost and regained
    over fewer times than it has at both ends together; else only the lower end tells.
    """
    if apart > _TIED and (_is_tied(below) or _is_tied(above)):
        return False
    if below.method != above.method or below.method is None:
        return smooth and apart <= _CLOSE  # what lies between the two is narrowed down anyway
    if (apart <= _SPAN if rising else apart <= _CLOSE and smooth) and above.cost <= below.next:
        return True
    if not smooth:
        return max(apart, _CLOSE) * below.cost <= below.next
    return apart <= _CLOSEST or (apart <= _SPAN and apart * below.cost * above.cost <= below.next * above.next)


def _is_tied(lead: Lead) -> bool:
    return lead.next <= STD_FUZZ_FACTOR * lead.cost


def ends_of(marks: Sequence[float], highest: float) -> set[float]:
    """One row, the highest count and the marks between, as whole numbers."""
    return {1.0, float(round(highest)), *(float(max(round(m), 1)) for m in marks if m <= highest)}


def find_borders(leader: Leader, rows: Sequence[float], leaders: Sequence[Method | None]) -> list[LeadChange]:
    """Every change of the lead along the grid, each between two neighbouring whole numbers.

    `leaders` are the leaders at the grid's points.
    """
    found: list[LeadChange] = []
    for at in range(len(rows) - 1):
        _narrow(leader, rows[at], leaders[at], rows[at + 1], leaders[at + 1], found)
    return found


def _narrow(
    leader: Leader, low: float, below: Method | None, high: float, above: Method | None, found: list[LeadChange]
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
        found.append(LeadChange(left_lead, right_lead, right))
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
