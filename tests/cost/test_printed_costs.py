"""Nodes whose whole cost follows from what a server printed of their inputs: no server is needed to check them again.

The sample plans were printed by servers of several releases (sample_plans/). The others are what PostgreSQL 18.6
printed of three partitions of huts (id, beds), of 4,000, 4,000 and 12,000 rows, and of trails with two children.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import partial
from math import inf
from pathlib import Path
from typing import Any

import pytest

from rowreckon.cost import (
    ColumnStatistics,
    CostSettings,
    PathCost,
    RelationSize,
    cost_append,
    cost_gather,
    cost_gather_merge,
    cost_merge_append,
    cost_seqscan,
    cost_sort,
    estimate_rel_size,
    gather_rows,
    get_variable_numdistinct,
    operator_cost,
    partial_index_tuples,
    partial_rows,
)
from rowreckon.cost.relation import tuple_density

CENT = 0.0051
"""Two decimals are printed."""
SAMPLES = Path(__file__).parents[2] / "sample_plans"
PLAIN = CostSettings(server_major=18)
CHEAP_WORKERS = CostSettings(server_major=18, parallel_setup_cost=10.0, parallel_tuple_cost=0.001)


def _path(startup: float, total: float, rows: float, width: int) -> PathCost:
    return PathCost(startup, total, rows, width, startup, total)


def _shown(path: PathCost) -> tuple[float, float]:
    return path.startup_cost, path.total_cost


def test_append() -> None:
    """Append (cost=0.00..390.00 rows=20000) over three Seq Scans."""
    parts = [_path(0, 58, 4000, 8), _path(0, 58, 4000, 8), _path(0, 174, 12000, 8)]
    path = cost_append(PLAIN, parts, 8)
    assert _shown(path) == pytest.approx((0.0, 390.0), abs=CENT)
    assert (path.rows, path.width) == (20000, 8)


def test_append_starts_with_its_first_input() -> None:
    """Append (…..743.85) over three index scans. Without an order to keep only the first input's start counts.

    Source of the latter: cost_append in optimizer/path/costsize.c.
    """
    parts = [_path(0.28, 133.28, 4000, 8), _path(0.28, 133.28, 4000, 8), _path(0.29, 377.29, 12000, 8)]
    assert _shown(cost_append(PLAIN, parts)) == pytest.approx((0.28, 743.85), abs=CENT)


def test_merge_append() -> None:
    """Merge Append (cost=0.72..722.69 rows=14001) over three index scans."""
    parts = [_path(0.12, 8.14, 1, 36), _path(0.28, 194.28, 5000, 55), _path(0.29, 339.29, 9000, 55)]
    path = cost_merge_append(PLAIN, parts, 55)
    assert _shown(path) == pytest.approx((0.72, 722.69), abs=3 * CENT)
    assert (path.rows, path.width) == (14001, 55)


def test_gather() -> None:
    """Gather (cost=10.00..138.20 rows=11700), two workers, over a Parallel Seq Scan (cost=0.00..116.50 rows=4875)."""
    scan = _path(0, 116.5, partial_rows(CHEAP_WORKERS, 11700, 2), 8)
    assert scan.rows == 4875
    rows = gather_rows(CHEAP_WORKERS, scan.rows, 2)
    assert rows == 11700
    assert _shown(cost_gather(CHEAP_WORKERS, scan, rows)) == pytest.approx((10.0, 138.2), abs=CENT)
    started = cost_gather(CHEAP_WORKERS, scan._replace(startup_cost=5.0), rows)
    assert _shown(started) == pytest.approx((15.0, 138.2), abs=CENT)


def test_gather_merge() -> None:
    """Gather Merge (cost=421.22..571.41 rows=12000), two workers, over a Sort (cost=411.19..423.69 rows=5000)."""
    path = cost_gather_merge(CHEAP_WORKERS, _path(411.19, 423.69, 5000, 8), 12000, 2)
    assert _shown(path) == pytest.approx((421.22, 571.41), abs=2 * CENT)


def test_sort_in_memory() -> None:
    """Sort (cost=1818.77..1868.77 rows=20000 width=8) over an Append that costs 390.00."""
    assert _shown(cost_sort(PLAIN, _path(0, 390, 20000, 8))) == pytest.approx((1818.77, 1868.77), abs=CENT)


def test_sequential_scans() -> None:
    """huts_2 has 54 pages: Seq Scan 0.00..174.00; for two workers with a filter 0.00..116.50."""
    huts = RelationSize(54.0, 12000.0)
    assert _shown(cost_seqscan(PLAIN, huts, 12000)) == pytest.approx((0.0, 174.0), abs=CENT)
    filtered = cost_seqscan(CHEAP_WORKERS, huts, 11700, qual=operator_cost(CHEAP_WORKERS, 1), workers=2)
    assert _shown(filtered) == pytest.approx((0.0, 116.5), abs=CENT)
    assert filtered.rows == 4875


def test_distinct_values() -> None:
    """get_variable_numdistinct in utils/adt/selfuncs.c: a unique index outdoes what ANALYZE estimated, nulls apart; a
    fraction is of the table's rows; of an unknown count, few rows are as many values, else it is 200."""
    assert get_variable_numdistinct(ColumnStatistics(1000.0, 10.0, 7.0, 0.25, is_unique=True)) == (750.0, False)
    assert get_variable_numdistinct(ColumnStatistics(1000.0, 10.0, 7.0, 0.25)) == (7.0, False)
    assert get_variable_numdistinct(ColumnStatistics(1000.0, 10.0, -0.5)) == (500.0, False)
    assert get_variable_numdistinct(ColumnStatistics(199.0, 10.0)) == (199.0, False)
    assert get_variable_numdistinct(ColumnStatistics(200.0, 10.0)) == (200.0, True)
    assert get_variable_numdistinct(ColumnStatistics(0.0, 0.0, -0.5)) == (200.0, True)


def _nodes(value: Any) -> Iterator[dict[str, Any]]:
    """Every plan node in a document, its parent under 'above'."""
    if isinstance(value, dict):
        for child in value.get("Plans", ()):
            child["above"] = value["Node Type"]
        if "Node Type" in value:
            yield value
        value = list(value.values())
    if isinstance(value, list):
        for each in value:
            yield from _nodes(each)


def test_sorts_of_the_sample_plans() -> None:
    """A Sort that no LIMIT bounds costs what its input and the number of its rows say, on every release."""
    seen = 0
    for file in sorted(SAMPLES.glob("*.json")):
        document = json.loads(file.read_text("utf-8"))
        told = document[0].get("Settings") if isinstance(document, list) else None
        for node in _nodes(document):
            if node["Node Type"] != "Sort" or node.get("above") == "Limit" or told is None:
                continue
            settings = CostSettings.from_explain(told, int(file.name.split(".")[-2]))
            below = node["Plans"][0]
            made = cost_sort(settings, _path(0, below["Total Cost"], below["Plan Rows"], below["Plan Width"]))
            # of few rows the rounded count tells little
            if below["Plan Rows"] >= 1000:
                seen += 1
                assert _shown(made) == pytest.approx((node["Startup Cost"], node["Total Cost"]), rel=1e-3), file.name
    assert seen >= 3


def test_sizes() -> None:
    """estimate_rel_size and its kin at their turning points, by the rules in plancat.c and tableam.c as documented
    there: ten pages for a small table never analysed, the known density, the guess from the width."""
    never = partial(estimate_rel_size, PLAIN, relpages=0.0, reltuples=-1.0, relallvisible=0.0, width=72)
    # (8192 - 24) / (72 + 28) = 81.68 tuples a page, of which 81 are whole
    assert tuple_density(PLAIN, 72) == tuple_density(CostSettings(server_major=16), 72) == 81.0
    assert tuple_density(PLAIN, 72, 50) == 40.0
    assert tuple_density(CostSettings(server_major=16), 72, 50) == 81.0
    assert tuple_density(PLAIN, 100_000) == 1.0
    assert never(current_pages=3.0) == RelationSize(10.0, 810.0)
    assert never(current_pages=3.0, has_subclass=True).pages == 3.0
    assert never(current_pages=10.0).pages == 10.0
    grown = estimate_rel_size(PLAIN, current_pages=20.0, relpages=10.0, reltuples=500.0, relallvisible=5.0, width=9)
    assert grown == RelationSize(20.0, 1000.0, 0.25)
    seen = estimate_rel_size(PLAIN, current_pages=4.0, relpages=8.0, reltuples=80.0, relallvisible=8.0, width=9)
    assert seen == RelationSize(4.0, 40.0, 1.0)
    assert estimate_rel_size(PLAIN, current_pages=0.0, relpages=8.0, reltuples=80.0, relallvisible=8.0, width=9) == (
        RelationSize(0.0, 0.0)
    )


@pytest.mark.parametrize(
    ("now", "pages", "tuples", "expected"),
    [(11.0, 11.0, 500.0, 500.0), (21.0, 11.0, 500.0, 1000.0), (1.0, 11.0, 500.0, 500.0), (9.0, 1.0, 5.0, 5.0)],
)
def test_partial_indexes(now: float, pages: float, tuples: float, expected: float) -> None:
    """The metapage holds no entry: 500 entries on 10 of 11 pages are 1,000 on 20 of 21, never more than the table's."""
    asked = {"current_pages": now, "relpages": pages, "reltuples": tuples}
    assert partial_index_tuples(**asked, relation_tuples=inf) == expected
    assert partial_index_tuples(**asked, relation_tuples=3.0) == 3.0
    assert partial_index_tuples(current_pages=9.0, relpages=1.0, reltuples=-1.0, relation_tuples=9.0) == 0.0
