"""Counts of our own stand in for those that a query never gave.

What a complete count and one that was stopped may say follows from what they are: the first is the number, the second
only a least one. Definition of the q-error: Moerkotte et al., PVLDB 2(1), 2009.
"""

from __future__ import annotations

from dataclasses import replace

from rowreckon.capture import Probe
from rowreckon.counts import reckon
from rowreckon.counts.interval import Interval
from rowreckon.counts.probes import with_probes
from rowreckon.counts.reckon import NodeCount
from rowreckon.plan import lay_out, parse_document

PLANNED = reckon(
    lay_out(
        parse_document(
            {
                "Plan": {
                    "Node Type": "Sort",
                    "Plan Rows": 100,
                    "Plans": [{"Node Type": "Seq Scan", "Plan Rows": 100, "Parent Relationship": "Outer"}],
                }
            }
        ).plan
    )
)


def _probed(rows: int, *, complete: bool) -> NodeCount:
    return with_probes(PLANNED, [Probe(node=1, rows=rows, complete=complete)]).counts[1]


def test_a_complete_count_is_the_number() -> None:
    """A hundred were expected, ten thousand are there; or two."""
    more, fewer = _probed(10_000, complete=True), _probed(2, complete=True)
    assert (more.state, more.reach.stopped_by, more.actual, more.actual_interval) == (
        "probed",
        None,
        10_000,
        Interval(10_000, 10_000),
    )
    # the estimate was printed as a whole number: 99.5 to 100.5
    assert (more.q_error, more.direction) == (100.0, "under")
    assert more.q_error_low is not None
    assert 99.0 < more.q_error_low <= 100.0
    assert more.ratio is not None
    assert more.ratio.low <= 100.0 <= more.ratio.high
    assert (fewer.q_error, fewer.direction) == (50.0, "over")


def test_a_count_that_was_stopped_is_a_least_one() -> None:
    """It can prove that too few were expected, never that too many were."""
    more, fewer = _probed(10_000, complete=False), _probed(2, complete=False)
    assert (more.state, more.reach.stopped_by) == ("at_least", "the limit of a bounded count")
    assert (more.q_error, more.direction) == (100.0, "under")
    assert (fewer.state, fewer.actual, fewer.actual_interval) == ("at_least", 2, Interval(2, 2))
    assert (fewer.q_error, fewer.q_error_low, fewer.direction, fewer.ratio) == (None, None, None, None)


def test_what_was_executed_keeps_its_count() -> None:
    """Nothing is put in the place of what the executor counted, nor of nodes that are not there."""
    ran = replace(PLANNED, counts=tuple(replace(count, loops=1) for count in PLANNED.counts))
    assert with_probes(ran, [Probe(node=1, rows=7, complete=True)]).counts == ran.counts
    assert with_probes(PLANNED, [Probe(node=2, rows=7, complete=True)]) is PLANNED
    assert with_probes(PLANNED, [Probe(node=1, rows=7, complete=True)]).counts[0] == PLANNED.counts[0]


def test_without_an_estimate_there_is_no_error() -> None:
    """A plan without costs expects nothing."""
    bare = replace(PLANNED, counts=tuple(replace(c, estimate=None, estimate_interval=None) for c in PLANNED.counts))
    (_, count) = with_probes(bare, [Probe(node=1, rows=7, complete=True)]).counts
    assert (count.actual, count.q_error, count.ratio) == (7, None, None)
