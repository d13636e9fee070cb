"""Bounded counts of our own, put in the place of the counts that a query which could not finish never gave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rowreckon.capture import Probe
from rowreckon.counts.interval import Interval
from rowreckon.counts.q_error import nearest_error, q_error, ratio_interval
from rowreckon.counts.reach import Reach
from rowreckon.counts.reckon import NodeCount, ReckonedTree

_STOPPED = "the limit of a bounded count"


def with_probes(reckoned: ReckonedTree, probes: Sequence[Probe]) -> ReckonedTree:
    """The tree with the probed nodes' actuals: `probed` where the count was complete, else `at_least`.

    Nodes that were executed keep what the executor counted. Rows are totals.
    """
    known = {p.node: p for p in probes if 0 <= p.node < len(reckoned)}
    if not known:
        return reckoned
    counts = tuple(
        _probed(count, known[number]) if number in known and count.loops is None else count
        for number, count in enumerate(reckoned.counts)
    )
    return replace(reckoned, counts=counts)


def _probed(count: NodeCount, probe: Probe) -> NodeCount:
    actual = Interval(probe.rows, probe.rows)
    reach = Reach("probed") if probe.complete else Reach("at_least", _STOPPED)
    changed = replace(count, actual=probe.rows, actual_interval=actual, reach=reach)
    if count.estimate is None:
        return changed
    assert count.estimate_interval is not None
    ratio = ratio_interval(count.estimate_interval, actual)
    low, direction = nearest_error(ratio)
    if not probe.complete and direction != "under":
        return changed
    error = q_error(count.estimate, probe.rows)
    return replace(changed, ratio=ratio, q_error=error, q_error_low=low, direction=direction)
