"""Plans published by others over one database, each alone and all together: how many far-off joins are decided.

How many, before and after, is printed (`-s`). When this was written: 110 of 685 before, and as many after. Plans
without VERBOSE, BUFFERS and SETTINGS tell the rows of tables, not their pages, and no join was decided by rows alone.
"""

from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import pytest

from rowreckon.capture import Capture
from rowreckon.intake import read_path
from rowreckon.joins.learning.fellows import Fellows
from rowreckon.plan.base import PlanNode
from rowreckon.plan.nodes import ScanNode
from tests.cli.running import rowreckon_long

from .job_plans import write_plans

_FAR_OFF: Final = 10.0
_DECIDED_AT_LEAST: Final = 110
"""Of the far-off joins, when this was written: a change may decide more, not fewer."""
_SMALL: Final = 1000.0
"""Rows below which a table may fill fewer than ten pages: never analysed it counts as ten (estimate_rel_size)."""

pytestmark = pytest.mark.full


@pytest.fixture(scope="module")
def plans(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ...]:
    """The published plans, as files."""
    return write_plans(tmp_path_factory.mktemp("published"))


@pytest.fixture(scope="module")
def together(plans: tuple[Path, ...]) -> str:
    """The audit of all plans as those of one database, as JSON."""
    return _audited("--one-database", plans)


def test_together_no_fewer_are_decided_than_alone(plans: tuple[Path, ...], together: str) -> None:
    """The joins off by ten times or more, of 113 plans; none is refused, and the same joins are far off in both."""
    before, after = _far_off(_audited("--many-databases", plans)), _far_off(together)
    print(f"far-off joins alone: {dict(before)}; together: {dict(after)}")
    assert len(plans) == 113
    assert before.total() == after.total()
    assert _DECIDED_AT_LEAST <= _decided(before) <= _decided(after)


def test_the_order_of_files_changes_no_byte(plans: tuple[Path, ...], together: str) -> None:
    """Given in another order, in a drawn one too, the same plans together give the same bytes."""
    drawn = list(plans)
    random.Random(113).shuffle(drawn)
    assert _audited("--one-database", plans[::-1]) == together
    assert _audited("--one-database", drawn) == together


def test_learned_rows_are_what_the_published_runs_counted(plans: tuple[Path, ...]) -> None:
    """No plan of the one server contradicts another, and a table that a run counted whole has as many rows, within 1%.

    What the executor counted in the published runs is the judge.
    """
    captures = [found for path in plans for found in read_path(path) if isinstance(found, Capture)]
    counted = dict(count for capture in captures for count in _counted_whole(capture))
    fellows = Fellows(captures, one_database=True)
    wrong: list[object] = []
    judged: set[str] = set()
    for capture in captures:
        learned = fellows.facts_for(capture)
        assert not learned.contradicted
        assert not learned.left_out
        for relation, fact in learned.sizes.items():
            came = counted.get(relation.name, 0.0)
            if came >= _SMALL:
                judged.add(relation.name)
                if not fact.size.rows.low * 0.99 <= came <= fact.size.rows.high * 1.01:
                    wrong.append((relation, fact.size.rows, came))
    assert wrong == []
    assert len(judged) >= 5


def _audited(whose: str, paths: Sequence[Path]) -> str:
    done = rowreckon_long("audit", *map(str, paths), whose, "--format", "json")
    assert done.returncode == 0, done.stderr
    return done.stdout


def _far_off(audited: str) -> Counter[str]:
    """The verdicts of the joins whose rows are certainly off by ten times or more."""
    document: dict[str, Any] = json.loads(audited)
    assert document["rejected"] == []
    return Counter(
        join["verdict"]
        for plan in document["plans"]
        for join in plan["joins"]
        if (plan["nodes"][join["node"]]["q_error_low"] or 1.0) >= _FAR_OFF
    )


def _decided(verdicts: Counter[str]) -> int:
    return verdicts.total() - verdicts["undecided"]


def _counted_whole(capture: Capture) -> Iterator[tuple[str, float]]:
    """Tables of which one sequential scan, by one process or by several, put out every row once."""
    nodes: list[tuple[PlanNode, bool]] = [(capture.explain.plan, False)] if capture.explain is not None else []
    while nodes:
        node, gathered = nodes.pop()
        gathered = gathered or node.node_type == "Gather"
        nodes.extend((child, gathered) for child in node.plans or ())
        once = node.actual_loops == 1 or (gathered and node.parallel_aware)
        if isinstance(node, ScanNode) and node.node_type == "Seq Scan" and not node.filter and once:
            yield str(node.relation_name), float(node.actual_rows or 0.0) * float(node.actual_loops or 0.0)
