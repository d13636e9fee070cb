"""The counts of the sample plans, node by node, as they were when they were last looked at.

What each state and figure has to be is tested on live servers in test_situations.py; here nothing may change unseen.
ROWRECKON_UPDATE_SNAPSHOTS=counts writes the file anew; look at the diff.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from rowreckon.counts import find_origins, reckon
from rowreckon.counts.timing import wall_times
from rowreckon.plan import lay_out, parse_document

SAMPLES = sorted((Path(__file__).parents[2] / "sample_plans").glob("*.json"))
PINNED = Path(__file__).with_name("pinned_counts.json")


def _counts(path: Path) -> list[str]:
    """A line a node: the state, what was expected and came in total, the error that enters there, the wall time."""
    document = json.loads(path.read_text("utf-8"))
    reckoned = reckon(lay_out(parse_document(document[0] if isinstance(document, list) else document).plan))
    entering = find_origins(reckoned).here
    lines = []
    for node, count, here, wall in zip(
        reckoned.tree.nodes, reckoned.counts, entering, wall_times(reckoned), strict=True
    ):
        error = "" if here is None else f" {here.direction} {here.factor:.6g}"
        at = count.actual_interval
        came = "none" if at is None else f"{at.low:.6g} to {at.high:.6g}"
        expected = count.estimate_interval
        wanted = "none" if expected is None else f"{expected.low:.6g} to {expected.high:.6g}"
        time = "" if wall is None else f" {wall:.6g} ms"
        lines.append(f"{node.node_type}: {count.state} {wanted}, {came}{error}{time}")
    return lines


if os.environ.get("ROWRECKON_UPDATE_SNAPSHOTS") == "counts":
    PINNED.write_text(json.dumps({path.name: _counts(path) for path in SAMPLES}, indent=1) + "\n", "utf-8")


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
def test_the_counts_are_as_they_were(path: Path) -> None:
    """Every node of every sample plan."""
    assert _counts(path) == json.loads(PINNED.read_text("utf-8"))[path.name]


def test_every_sample_is_pinned() -> None:
    """No plan more and none fewer, and all but a few states are among them."""
    pinned = json.loads(PINNED.read_text("utf-8"))
    states = {line.split(": ")[1].split()[0] for lines in pinned.values() for line in lines}

    assert set(pinned) == {path.name for path in SAMPLES}
    assert states >= {"exact", "at_least", "not_run"}
