"""Sizes solved from cost lines: cost_seqscan charges seq_page_cost × pages + (cpu_tuple_cost + quals) × rows.

Source of the figures: a table of 310 pages and 30,000 rows costs 610.00 to read, 685.00 with one condition and 760.00
with two (planner facts measured on 13 to 18; the formula stands in optimizer/path/costsize.c).
"""

from __future__ import annotations

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rowreckon.learned.evidence import CostLine, SizeClue
from rowreckon.learned.facts import Bounds, Size, relation_name
from rowreckon.learned.solve import solved

_TUPLE, _OPERATOR = 0.01, 0.0025


def _line(cost: float, calls: int, divisor: float = 1.0) -> CostLine:
    return CostLine(1.0, (_TUPLE + calls * _OPERATOR) / divisor, cost - 0.0051, cost + 0.0051)


def test_rows_and_one_cost_tell_the_pages() -> None:
    """An unfiltered scan tells both to the page and to the row."""
    clue = SizeClue(rows=Bounds(30_000.0, 30_000.0), line=_line(610.0, 0))

    assert solved([clue]) == Size(Bounds(310.0, 310.0), Bounds(30_000.0, 30_000.0))


def test_two_scans_with_different_conditions_tell_both() -> None:
    """The lines cross in few whole numbers, the true ones among them; one line alone tells neither."""
    one, two = SizeClue(line=_line(685.0, 1)), SizeClue(line=_line(760.0, 2))
    both, alone = solved([one, two]), solved([one])

    assert both is not None
    assert alone is not None
    assert both.rows.low <= 30_000 <= both.rows.high
    assert both.pages.low <= 310 <= both.pages.high
    assert both.rows.high - both.rows.low <= 10
    assert not alone.rows.exact
    assert not alone.pages.exact


def test_no_size_fits_two_that_contradict() -> None:
    """Other rows, or other pages for the same rows: nothing is averaged."""
    first = SizeClue(rows=Bounds(30_000.0, 30_000.0), line=_line(610.0, 0))
    grown = SizeClue(rows=Bounds(31_000.0, 31_000.0), line=_line(630.0, 0))
    bloated = SizeClue(rows=Bounds(30_000.0, 30_000.0), line=_line(620.0, 0))

    assert solved([first, grown]) is None
    assert solved([first, bloated]) is None
    assert solved([first, SizeClue(pages=Bounds(0.0, 200.0))]) is None


@given(
    pages=st.integers(1, 200_000),
    per_page=st.integers(1, 200),
    calls=st.lists(st.integers(0, 6), min_size=1, max_size=4),
    unfiltered=st.booleans(),
    divisor=st.sampled_from([1.0, 1.7, 2.4, 3.1]),
)
def test_the_truth_is_never_left_out(
    pages: int, per_page: int, calls: list[int], unfiltered: bool, divisor: float
) -> None:
    """Whatever scans of one table print, its size agrees with them."""
    rows = pages * per_page
    clues = [
        SizeClue(line=_line(round(pages + rows * (_TUPLE + n * _OPERATOR) / divisor, 2), n, divisor)) for n in calls
    ]
    if unfiltered:
        clues.append(SizeClue(Bounds(0.0, float(pages + 3)), Bounds(float(rows), float(rows))))
    size = solved(clues)

    assert size is not None
    assert size.pages.low <= pages <= size.pages.high
    assert size.rows.low <= rows <= size.rows.high
    assert not unfiltered or size.rows.exact


@pytest.mark.parametrize(
    ("schema", "name"), [(None, "guests"), ("", "guests"), ("public", None), ("pg_temp_3", "guests"), ("pg_temp", "x")]
)
def test_what_has_no_name_of_its_own_is_never_merged(schema: str | None, name: str | None) -> None:
    """Unqualified names and temporary tables are another table in another session."""
    assert relation_name(schema, name) is None
    assert str(relation_name("public", "guests")) == "public.guests"


def test_bounds_meet() -> None:
    """Both ends are included; a common point is no contradiction, a gap is."""
    assert Bounds(1.0, 5.0).meet(Bounds(5.0, inf)) == Bounds(5.0, 5.0)
    assert Bounds(1.0, 4.0).meet(Bounds(5.0, inf)).empty
