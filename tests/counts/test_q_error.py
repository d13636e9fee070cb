"""The q-error and the intervals it is taken between.

Definition and properties: G. Moerkotte, T. Neumann, G. Steidl, "Preventing Bad Plans by Bounding the Impact of
Cardinality Estimation Errors", PVLDB 2(1), 2009. The arithmetic of the properties is worked out here.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rowreckon.counts.interval import Interval, actual_interval, estimate_interval
from rowreckon.counts.q_error import divide, multiply, nearest_error, q_error, ratio_interval

rows = st.floats(min_value=1, max_value=1e12)
factors = st.floats(min_value=1, max_value=1e6)


def test_worked_values() -> None:
    """A plan made for 10 rows that got 1000 has q = 100; a perfect estimate has 1, whatever the size."""
    assert q_error(10, 1000) == 100
    assert q_error(1000, 10) == 100
    assert q_error(7, 7) == 1
    assert math.log10(q_error(12, 48_310)) == pytest.approx(3.605, abs=0.001)


def test_rows_below_one_count_as_one() -> None:
    """PostgreSQL never estimates below one row, so an actual of nothing is compared as one row (our convention)."""
    assert q_error(50, 0) == 50
    assert q_error(1, 0) == 1


@given(e=rows, a=rows)
def test_at_least_one_and_symmetric(e: float, a: float) -> None:
    """q(e, a) = q(a, e) ≥ 1."""
    assert q_error(e, a) == q_error(a, e) >= 1


@given(e=rows, a=rows, c=factors)
def test_scale_free(e: float, a: float, c: float) -> None:
    """q(ce, ca) = q(e, a)."""
    assert q_error(c * e, c * a) == pytest.approx(q_error(e, a))


@given(e=rows, m=rows, a=rows)
def test_submultiplicative(e: float, m: float, a: float) -> None:
    """q(e, a) ≤ q(e, m) · q(m, a)."""
    assert q_error(e, a) <= q_error(e, m) * q_error(m, a) * (1 + 1e-9)


@given(
    true=st.lists(st.tuples(rows, rows), min_size=2, max_size=5),
    errors=st.lists(st.floats(min_value=0.1, max_value=10), min_size=10, max_size=10),
)
def test_bounded_errors_bound_the_loss(true: list[tuple[float, float]], errors: list[float]) -> None:
    """If all q-errors are at most q, the plan chosen by sums of products of two row counts costs at most q⁴ times the
    best one: the arithmetic behind the paper's bound."""
    q = max(q_error(e, 1.0) for e in errors)
    cost = [one * other for one, other in true]
    seen = [
        one * e * other * f
        for (one, other), (e, f) in zip(true, zip(errors[::2], errors[1::2], strict=True), strict=False)
    ]
    chosen = min(range(len(seen)), key=seen.__getitem__)

    assert cost[chosen] <= min(cost[: len(seen)]) * q**4 * (1 + 1e-9)


def test_a_printed_one_is_clamped() -> None:
    """clamp_row_est raises everything to 1: a printed 1 means above 0 to 1.5, and 20,000 of them may be 20 rows."""
    assert estimate_interval(1) == Interval(0.0, 1.5)
    assert estimate_interval(7) == Interval(6.5, 7.5)
    wide = estimate_interval(1).scaled(20_000)

    assert nearest_error(ratio_interval(wide, Interval(20, 20))) == (1.0, "even")


def test_many_clamped_rows_of_an_append_are_a_real_overestimate() -> None:
    """200 partitions clamped to one row each print as 200 rows: nothing came, and that is an error of 200."""
    factor, direction = nearest_error(ratio_interval(estimate_interval(200), Interval(0, 0)))

    assert direction == "over"
    assert factor == pytest.approx(199.5)


@pytest.mark.parametrize(
    ("printed", "loops", "decimals", "expected"),
    [
        (0, 100_000, False, (0, 50_000)),
        (0.0, 100_000, True, (0, 500)),
        (13, 500, False, (6250, 6750)),
        (12.94, 500, True, (6468, 6472)),
        (5, 1, False, (5, 5)),
    ],
)
def test_rounding_leaves_an_interval(printed: float, loops: int, decimals: bool, expected: tuple[int, int]) -> None:
    """Averages are rounded to whole rows up to 17 and to two decimals from 18 on; a single loop is exact."""
    assert actual_interval(printed, loops, decimals=decimals) == expected


@given(total=st.integers(min_value=0, max_value=10**9), loops=st.integers(min_value=1, max_value=10**6))
def test_the_truth_is_always_inside(total: int, loops: int) -> None:
    """Whatever the server counted, the interval of what it prints holds it, in both ways of printing."""
    for decimals, places in ((False, 0), (True, 2)):
        printed = float(f"{total / loops:.{places}f}")
        low, high = actual_interval(printed, loops, decimals=decimals)

        assert low <= total <= high


@given(a=rows, b=rows, c=rows, d=rows)
def test_dividing_out_what_was_multiplied(a: float, b: float, c: float, d: float) -> None:
    """The ratio that remains after dividing an interval out still holds the factor that was there."""
    one = Interval(min(a, b), max(a, b))
    other = Interval(min(c, d), max(c, d))
    rest = divide(multiply(one, other), other)

    assert rest.low <= one.low * (1 + 1e-9)
    assert rest.high >= one.high * (1 - 1e-9)
