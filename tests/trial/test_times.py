"""Verdicts from run times: the statistic against a published example, the thresholds by their symmetries, the noise
of a real server."""

from __future__ import annotations

import math

import psycopg
from hypothesis import given
from hypothesis import strategies as st

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
