"""Joins that all processes of a Gather take part in, on a live server."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from .live import Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only

TABLES = """
create table guest(id int, week int, pad text);
insert into guest select g, g % 200, repeat('g', 30) from generate_series(1, 20000) g;
create table visit(guest int, nights int, pad text);
insert into visit select (g::bigint * 7919) % 20000 + 1, g % 30, repeat('v', 5) from generate_series(1, 30000) g;
analyze guest; analyze visit;
"""
QUERY = "select g.id, v.nights from guest g join visit v on v.guest = g.id where g.week < 20"
TOGETHER = {
    "jit": "off",
    "max_parallel_workers_per_gather": "2",
    "min_parallel_table_scan_size": "0",
    "parallel_setup_cost": "10",
    "parallel_tuple_cost": "0.01",
    "work_mem": "256kB",
}


@pytest.fixture(scope="module", params=live_and_kept(__file__))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with guests and visits."""
    with kept_or_live(request, TABLES) as session:
        yield session


@pytest.mark.parametrize("method", ["nested_loop", "hash"])
def test_side_whose_cheapest_scan_is_a_gather_is_no_inner_side(connection: Connection, method: str) -> None:
    """A nested loop below a Gather repeats the cheapest scan of its inner side, and no Gather stands below another."""
    (join,) = judge(capture(connection, QUERY, settings=TOGETHER))
    with connection.transaction(force_rollback=True):
        apply(connection, TOGETHER | only(method))
        plan = explain(connection, QUERY).plan
    assert plan.node_type == "Gather"

    assert join.method == "hash"
    costs: dict[str, float | None] = {m: c.at_estimate for m, c in join.costs.items()}
    assert costs[method] == pytest.approx(float(plan.total_cost or 0.0), rel=0.01)
