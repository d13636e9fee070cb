"""What must hold of every plan, checked on plans captured from servers of 13 to 18."""

from __future__ import annotations

from pathlib import Path

import pytest

from rowreckon.capture import Capture
from rowreckon.counts import find_origins, own_times, reckon, wall_times
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.intake import read_path
from rowreckon.plan import lay_out
from rowreckon.plan.nodes import JoinNode

SAMPLES = Path(__file__).parents[2] / "sample_plans"


def _reckoned(path: Path) -> ReckonedTree:
    (capture,) = read_path(path)
    assert isinstance(capture, Capture)
    assert capture.explain is not None
    return reckon(lay_out(capture.explain.plan))


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.[jt][sx][ot]*")), ids=lambda p: p.name)
def test_invariants(path: Path) -> None:
    """Intervals hold their printed totals, lower bounds prove no overestimate, nothing is divided by a lower bound."""
    reckoned = _reckoned(path)
    tree = reckoned.tree
    origins = find_origins(reckoned)
    for number, count in enumerate(reckoned.counts):
        if count.actual_interval is not None and count.actual is not None and count.state == "exact":
            assert count.actual_interval.low <= count.actual_interval.high
        if count.state == "at_least":
            assert count.direction in (None, "under")
        if count.state in ("reread", "not_run", "not_counted"):
            assert count.q_error is None
        if count.q_error is not None and count.q_error_low is not None:
            assert 1 <= count.q_error_low <= count.q_error * (1 + 1e-9)
        node = tree.nodes[number]
        cut = [c for c in tree.inputs(number) if reckoned.counts[c].state == "at_least"]
        one_sided = isinstance(node, JoinNode) and node.join_type in ("Semi", "Anti", "Right Semi", "Right Anti")
        if cut and not one_sided and not node.node_type.startswith("Bitmap"):
            assert origins.here[number] is None


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.json")), ids=lambda p: p.name)
def test_own_times_add_up(path: Path) -> None:
    """All nodes' own times together are the root's time, within what rounding and parallel averages leave."""
    reckoned = _reckoned(path)
    root = wall_times(reckoned)[0]
    own = [ms for ms in own_times(reckoned) if ms is not None]
    assert root is not None

    assert sum(own) == pytest.approx(root, rel=0.25, abs=0.5)
