"""Grouping in order and by hashing, in memory and spilled, and sorts in part: recomputed, compared to the cent."""

from __future__ import annotations

from typing import Any

import pytest

from rowreckon.cost import PathCost
from rowreckon.cost.grouping import Grouping, group_by_hashing, group_in_order
from rowreckon.cost.sort import cost_incremental_sort

from .facts import Facts

QUERIES = {
    "counted": ("select k, count(*), max(id) from ob group by k", 1, 2),
    "distinct": ("select distinct k, id from ob", 2, 0),
    "three columns": ("select dim_id, val, pad, count(*) from fact group by 1, 2, 3", 3, 1),
}


def _path(plan: dict[str, Any]) -> PathCost:
    return PathCost(plan["Startup Cost"], plan["Total Cost"], plan["Plan Rows"], plan["Plan Width"], 0.0, 0.0)


@pytest.mark.parametrize("work_mem", ["64kB", "300kB", "1MB", "16MB"])
@pytest.mark.parametrize("kind", QUERIES)
def test_groups_by_hashing(facts: Facts, kind: str, work_mem: str) -> None:
    """Groups that do not fit into memory are written out and read again."""
    settings = facts.use(enable_sort="off", enable_indexscan="off", enable_indexonlyscan="off", work_mem=work_mem)
    query, columns, calls = QUERIES[kind]
    plan = facts.explain(query)
    grouping = Grouping(columns, calls, calls * settings.cpu_operator_cost)
    path = group_by_hashing(settings, _path(plan["Plans"][0]), grouping, plan["Plan Rows"])

    assert plan["Strategy"] == "Hashed"
    assert (path.startup_cost, path.total_cost) == pytest.approx((plan["Startup Cost"], plan["Total Cost"]), abs=0.02)


def test_groups_in_order(facts: Facts) -> None:
    """What a group costs that ends as the next begins."""
    settings = facts.use(enable_hashagg="off")
    plan = facts.explain("select dim_id, count(*) from fact group by dim_id")
    path = group_in_order(settings, _path(plan["Plans"][0]), Grouping(1, 1, 0.0025), plan["Plan Rows"])

    assert plan["Strategy"] == "Sorted"
    assert path.total_cost == pytest.approx(plan["Total Cost"], abs=0.02)


def test_sorts_in_part(facts: Facts) -> None:
    """10,000 groups of three rows each, of which each is sorted by itself."""
    settings = facts.use(enable_seqscan="off", enable_bitmapscan="off", random_page_cost="1")
    plan = facts.explain("select * from fact order by dim_id, pad")
    path = cost_incremental_sort(settings, _path(plan["Plans"][0]), 10000.0)

    assert plan["Node Type"] == "Incremental Sort"
    assert (path.startup_cost, path.total_cost) == pytest.approx((plan["Startup Cost"], plan["Total Cost"]), abs=0.02)
