"""A kind of path that a setting switches off: one disabled node from 18 on, 1.0e10 of cost before.

Source: `disabled_nodes` and `disable_cost` in optimizer/path/costsize.c of 18 and 17. A path counts the disabled nodes
of its inputs too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from rowreckon.cost import (
    CostSettings,
    HashJoinTerms,
    MergeJoinTerms,
    PathCost,
    RelationSize,
    cost_append,
    cost_gather,
    cost_gather_merge,
    cost_hashjoin,
    cost_material,
    cost_merge_append,
    cost_mergejoin,
    cost_nestloop,
    cost_parallel_append,
    cost_seqscan,
    cost_sort,
)
from rowreckon.cost.grouping import Grouping, group_by_hashing

PATH = PathCost(1.0, 100.0, 1000.0, 8, 1.0, 100.0)
ONE_DISABLED = PATH._replace(disabled_nodes=1)
OUTER, INNER = PATH._replace(disabled_nodes=2), PATH._replace(disabled_nodes=5)
Made = Callable[[CostSettings, PathCost, PathCost], PathCost]
SWITCHED: dict[str, Made] = {
    "enable_nestloop": lambda s, outer, inner: cost_nestloop(s, outer, inner, 10.0),
    "enable_hashjoin": lambda s, outer, inner: cost_hashjoin(s, outer, inner, 10.0, 8, HashJoinTerms(0.001)),
    "enable_mergejoin": lambda s, outer, inner: cost_mergejoin(s, outer, inner, 10.0, 8, MergeJoinTerms(0.001)),
}
ABOVE_ONE: dict[str, Callable[[CostSettings, PathCost], PathCost]] = {
    "enable_sort": cost_sort,
    "enable_gathermerge": lambda s, path: cost_gather_merge(s, path, 1000.0, 2),
    "enable_hashagg": lambda s, path: group_by_hashing(s, path, Grouping(columns=1), 10.0),
}
HANDED_ON: dict[str, Callable[[CostSettings, PathCost], PathCost]] = {
    "Gather": lambda s, path: cost_gather(s, path, 1000.0),
    "Materialize": cost_material,
    "Append": lambda s, path: cost_append(s, [PATH, path, path]),
    "Merge Append": lambda s, path: cost_merge_append(s, [PATH, path, path]),
    "Parallel Append": lambda s, path: cost_parallel_append(s, [path], [(path, 2), (PATH, 2)], 2),
}


def _off(major: int, setting: str) -> CostSettings:
    return replace(CostSettings(server_major=major), **{setting: False})


@pytest.mark.parametrize("setting", SWITCHED)
def test_a_join_that_is_switched_off_counts_itself_and_its_inputs(setting: str) -> None:
    made = SWITCHED[setting]

    assert made(_off(18, setting), OUTER, INNER).disabled_nodes == 2 + 5 + 1
    assert made(CostSettings(server_major=18), OUTER, INNER).disabled_nodes == 2 + 5
    assert made(_off(17, setting), PATH, PATH).disabled_nodes == 0


@pytest.mark.parametrize("setting", SWITCHED)
def test_before_18_a_join_that_is_switched_off_costs_1e10_more(setting: str) -> None:
    made = SWITCHED[setting]
    dear, usual = made(_off(17, setting), PATH, PATH), made(CostSettings(server_major=17), PATH, PATH)

    assert dear.total_cost - usual.total_cost == pytest.approx(1.0e10, rel=1e-6)
    assert dear.startup_cost - usual.startup_cost == pytest.approx(1.0e10, rel=1e-6)
    assert made(_off(18, setting), PATH, PATH).total_cost == pytest.approx(usual.total_cost, rel=0.01)


@pytest.mark.parametrize("setting", ABOVE_ONE)
def test_one_above_a_path_that_is_switched_off(setting: str) -> None:
    made = ABOVE_ONE[setting]
    usual = made(CostSettings(server_major=17), PATH)
    dear = made(_off(17, setting), PATH)

    assert made(_off(18, setting), ONE_DISABLED).disabled_nodes == 2
    assert made(CostSettings(server_major=18), ONE_DISABLED).disabled_nodes == 1
    assert dear.disabled_nodes == 0
    assert dear.startup_cost - usual.startup_cost == pytest.approx(1.0e10, rel=1e-6)
    assert dear.total_cost - usual.total_cost == pytest.approx(1.0e10, rel=1e-6)


@pytest.mark.parametrize("kind", HANDED_ON)
def test_what_no_setting_switches_off_counts_its_inputs_alone(kind: str) -> None:
    several = 2 if "Append" in kind else 1
    assert HANDED_ON[kind](CostSettings(server_major=18), ONE_DISABLED).disabled_nodes == several


def test_a_scan_that_is_switched_off() -> None:
    size = RelationSize(pages=100.0, tuples=1000.0)
    scans = [cost_seqscan(_off(major, "enable_seqscan"), size, 10.0) for major in (17, 18)]

    assert [scan.disabled_nodes for scan in scans] == [0, 1]
    assert scans[0].total_cost - scans[1].total_cost == pytest.approx(1.0e10)
