"""A join of one process is compared with what several processes would do, at the place where the planner does.

The judge is a live server: its parallel plans, with right estimates, at their own printed costs.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.cost import CostSettings
from rowreckon.document.audit import Join, Method
from rowreckon.joins.ways.parallel_rivals import ParallelFloor
from rowreckon.plan import lay_out
from rowreckon.plan.base import PlanNode

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only

TABLES = """
create table hut(id int primary key, region int, pad text);
insert into hut select g, g % 9, repeat('h', 60) from generate_series(1, 400000) g;
create table stay(id int, hut int, night int, pad text);
insert into stay select g, (g::bigint * 7919 % 400000)::int + 1, g % 9, repeat('s', 60)
  from generate_series(1, 60000) g;
create function slow_twin(int) returns int language plpgsql immutable parallel unsafe as 'begin return $1; end';
create temporary table visit as select * from stay;
analyze visit;
"""
QUERY = "select count(h.region) from stay s join hut h on h.id = s.hut where {}"
# both are true of 6,667 rows; the planner takes an expression without statistics to be true of one row in 200
WRONG = QUERY.format("s.id % 9 = 1")
SETTINGS = {"jit": "off", "seq_page_cost": "0.1", "random_page_cost": "0.6"}


@pytest.fixture(scope="module", params=live_and_kept(__file__))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with huts and stays."""
    with kept_or_live(request, "", TABLES, "vacuum analyze") as session:
        yield session


def _alone(plan: PlanNode) -> float:
    """What a parallel plan costs more than the one process that aggregates: rows x cpu_operator_cost, and one row."""
    return float(plan.total_cost or 0.0) - 6_667 * 0.0025 - 0.01


def _priced(join: Join, method: Method) -> float:
    cost = join.costs[method].at_actual
    assert cost is not None
    return cost


def test_a_cheaper_way_by_several_processes_is_a_crossing(connection: Connection) -> None:
    """With right estimates the server takes a parallel hash join that costs a third less than the nested loop."""
    (join,) = judge(capture(connection, WRONG, settings=SETTINGS))
    with connection.transaction(force_rollback=True):
        apply(connection, SETTINGS)
        right = explain(connection, QUERY.format("s.night = 1")).plan
    types = {node.node_type for node in lay_out(right).nodes}

    assert {"Gather", "Hash Join", "Aggregate"} <= types
    # the wrong condition calls one operator more for each of 60,000 rows
    assert _priced(join, "hash") == pytest.approx(_alone(right) + 60_000 * 0.0025, rel=0.01)
    assert _priced(join, "nested_loop") > 1.1 * _priced(join, "hash")
    assert join.verdict == "crossed"


def test_one_process_leaves_nothing_open(connection: Connection) -> None:
    """Where no worker may take part, the same join is held."""
    (join,) = judge(capture(connection, WRONG, settings=SETTINGS | SERIAL))

    assert join.verdict == "held"


@pytest.mark.parametrize(
    "query",
    [
        WRONG.replace("stay s", "visit s"),
        WRONG.replace("where", "where slow_twin(h.region) = h.region and"),
        "with found as materialized (delete from hut where id < 0) " + WRONG,
    ],
    ids=["temporary table", "function", "written"],
)
def test_what_workers_may_not_do_is_no_rival(connection: Connection, query: str) -> None:
    """Nothing is shared of what no worker may read, call or take part in, as the server's own plans show."""
    captured = capture(connection, query, settings=SETTINGS)
    (join,) = judge(captured)
    with connection.transaction(force_rollback=True):
        apply(connection, SETTINGS | {"parallel_setup_cost": "0", "min_parallel_table_scan_size": "0"} | only("hash"))
        forced = lay_out(explain(connection, query).plan)

    assert not any(forced.nodes[n].parallel_aware for n in forced.joins())
    assert not any(way.access.startswith("gather") for cost in join.costs.values() for way in cost.ways)


def test_the_least_of_a_shared_way_is_its_share_of_the_work() -> None:
    """Two workers and the leader's dwindling share divide the work by 2.4 (get_parallel_divisor, costsize.c)."""
    floor = ParallelFloor(setup=1000.0, divisor=2.4)

    assert floor.least(24_000.0) == 11_000.0
    assert CostSettings().max_parallel_workers_per_gather == 2
