"""Verdicts from run times: the statistic against a published example, the thresholds by their symmetries, the noise
of a real server."""

from __future__ import annotations

import math
import random

import psycopg
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rowreckon.document.slowed import WORTH_SAYING
from rowreckon.trial.times import LEAST_MS, LEAST_Z, Times, compare, share_faster, z_score

from .forced import run

runs = st.lists(st.floats(0.01, 1e6), min_size=3, max_size=9).map(tuple)


def test_tortoises_and_hares() -> None:
    """Six of each finish in the order T H H H H H T T T T T H: the tortoises win 11 of 36 pairs.

    The example of the article "Mann-Whitney U test" in Wikipedia, U = 11 for the tortoises; from memory.
    """
    order = "THHHHHTTTTTH"
    tortoises = tuple(float(n) for n, who in enumerate(order) if who == "T")
    hares = tuple(float(n) for n, who in enumerate(order) if who == "H")
    assert share_faster(hares, tortoises) == 11 / 36
    assert share_faster(tortoises, hares) == 25 / 36


def test_the_level() -> None:
    """Three against three must be apart altogether: the chance of that is 1 in 20 (2 / C(6, 3) = 0.1 for both sides).

    For larger samples the normal approximation: with eight against eight, U = 13 is the critical value at 5 percent
    (two-sided; Mann and Whitney's table, from memory).
    """
    apart = z_score((4.0, 5.0, 6.0), (1.0, 2.0, 3.0))
    assert LEAST_Z < apart < 1.97
    assert z_score((4.0, 5.0, 6.0), (1.0, 2.0, 4.5)) < LEAST_Z
    sd = math.sqrt(8 * 8 * 17 / 12)
    assert (32 - 13) / sd > LEAST_Z > (32 - 14 - 0.5) / sd


@given(runs, runs)
def test_sides_are_treated_alike(before: tuple[float, ...], after: tuple[float, ...]) -> None:
    """What is faster one way round is slower the other, by the same gain."""
    one, other = compare(Times(before), Times(after)), compare(Times(after), Times(before))
    mirrored = {"faster": "slower", "slower": "faster", "same": "same"}
    assert other.time == mirrored[one.time]
    assert other.gain_ms == -one.gain_ms
    assert one.gain_low <= one.gain_high
    assert other.settled == one.settled


@given(runs, runs)
def test_what_differs_by_a_fifth_is_never_the_same(before: tuple[float, ...], after: tuple[float, ...]) -> None:
    """However few the runs and however they overlap, medians 1.2 times apart are named."""
    found = compare(Times(before), Times(after))
    assert found.before_ms is not None
    assert found.after_ms is not None
    low, high = sorted((found.before_ms, found.after_ms))
    if high > WORTH_SAYING * low:
        assert found.time == ("slower" if found.after_ms == high else "faster")
    if found.time == "same":
        assert high <= WORTH_SAYING * low


def test_a_slowdown_that_noise_hides() -> None:
    """1.29 times slower, one run of the other side in between: said, not called; more runs call it."""
    before = (100.0, 104.0, 131.0)
    few = compare(Times(before), Times((128.0, 134.0, 140.0)))
    assert (few.time, few.called, few.settled, few.within_noise) == ("slower", False, False, True)
    many = compare(Times(before * 3), Times((128.0, 134.0, 140.0) * 3))
    assert (many.time, many.called, many.settled, many.within_noise) == ("slower", True, True, False)


def test_the_same_is_a_claim_too() -> None:
    """Medians alike with runs all over the place do not exclude a fifth; steady runs do."""
    wild = compare(Times((80.0, 100.0, 190.0)), Times((70.0, 101.0, 230.0)))
    assert (wild.time, wild.called, wild.settled) == ("same", True, False)
    steady = compare(Times((98.0, 100.0, 103.0)), Times((99.0, 101.0, 104.0)))
    assert (steady.time, steady.within_noise) == ("same", False)


def test_small_times_settle() -> None:
    """What differs by less than can be measured is named, and not run for ever."""
    tiny = compare(Times((0.2, 0.21, 0.22)), Times((0.4, 0.41, 0.42)))
    assert (tiny.time, tiny.called, tiny.settled) == ("slower", False, True)
    assert compare(Times((0.2, 0.21, 0.22)), Times((0.2, 0.22, 0.23))).within_noise is False


@pytest.mark.parametrize("slower", [1.29, 1.5])
def test_noise_of_a_busy_machine(slower: float) -> None:
    """Runs drawn with a spread of a quarter: a slowdown is never claimed to be none, whatever the draw."""
    for seed in range(300):
        draw = random.Random(seed)
        before = tuple(100.0 * draw.lognormvariate(0, 0.25) for _ in range(5))
        after = tuple(slower * 100.0 * draw.lognormvariate(0, 0.25) for _ in range(5))
        found = compare(Times(before), Times(after))
        assert found.time != "same" or found.within_noise


@given(runs)
def test_the_same_runs_are_the_same(times: tuple[float, ...]) -> None:
    """No run differs from itself."""
    assert compare(Times(times), Times(times)).time == "same"


@given(runs, st.floats(1.5, 100.0))
def test_every_run_slower(before: tuple[float, ...], factor: float) -> None:
    """A change that slows every run beyond the slowest one before is called slower, unless it is too small to count."""
    after = tuple(max(before) * factor + LEAST_MS for _ in before)
    assert compare(Times(before), Times(after)).time == "slower"


def test_cancelled_runs() -> None:
    """Who did not end is slower than who did; two that did not end are not compared."""
    assert compare(Times((10.0,)), Times((), 1000.0)).time == "slower"
    assert compare(Times((10.0,)), Times((), 1000.0)).gain_high == -990.0
    gained = compare(Times((), 1000.0), Times((10.0, 11.0, 12.0)))
    assert (gained.time, gained.gain_low, gained.before_ms) == ("faster", 989.0, None)
    assert compare(Times((), 1000.0), Times((), 1000.0)).time == "not_measured"
    assert compare(Times(), Times((1.0,))).time == "not_measured"


def test_a_real_server(server: str) -> None:
    """The same query is the same; one that sleeps longer is slower, by about what it sleeps."""
    with psycopg.connect(server, autocommit=True) as connection:

        def times(ms: int) -> Times:
            found = [run(connection, f"select pg_sleep({ms / 1000})") for _ in range(5)]
            return Times(tuple(ms for ms in found if ms is not None))

        short, again, long = times(100), times(100), times(200)
    assert compare(short, again).time == "same"
    found = compare(short, long)
    assert found.time == "slower"
    assert -160 < found.gain_ms < -60
