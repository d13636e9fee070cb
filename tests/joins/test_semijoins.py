"""Semijoins that the planner runs as inner joins over a side without duplicates, in either order, on live servers."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon import releases
from rowreckon.plan import lay_out
from rowreckon.plan.nodes import JoinNode

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only

TABLES = """
create table guest(id int, week int, season int, pad text);
insert into guest select g, g % 200, g % 200, repeat('g', 20) from generate_series(1, 40000) g;
create table meal(guest int, pad text);
insert into meal select (g::bigint * 7919) % 2000 + 1, repeat('m', 10) from generate_series(1, 200000) g;
create table stay(guest int, pad text);
insert into stay select g % 50 + 1, repeat('s', 10) from generate_series(1, 60000) g;
create index guest_id on guest(id);
create table card(guest int primary key, week int);
insert into card select g, g % 200 from generate_series(1, 20000) g;
analyze guest; analyze meal; analyze stay; analyze card;
"""
PROBED = (
    "select g.pad from guest g where g.week < 101 and g.season >= 100"
    " and exists (select from meal m where m.guest = g.id)"
)
CARDLESS = (
    "select g.pad from guest g where g.week < 120 and g.season < 120"
    " and not exists (select from card c where c.guest = g.id and c.week = g.week)"
)
DRIVING = "select g.pad from guest g where exists (select from stay s where s.guest = g.id)"


@pytest.fixture(scope="module", params=live_and_kept(__file__, releases.MODELLED))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with guests, meals and stays."""
    with kept_or_live(request, TABLES) as session:
        yield session


@pytest.mark.parametrize("query", [PROBED, DRIVING, CARDLESS])
def test_costs_as_the_server_reckons(connection: Connection, query: str) -> None:
    """Every method's cost, though the plan shows an inner join whose outer or inner side was grouped by the key.

    With two clauses on a side that is unique by one of them a semijoin would be an inner join, an antijoin is not.
    """
    (join,) = judge(capture(connection, query))
    found = {}
    for method in ("nested_loop", "hash", "merge"):
        with connection.transaction(force_rollback=True):
            apply(connection, SERIAL | only(method))
            found[method] = float(explain(connection, query).plan.total_cost or 0.0)

    assert join.residual == pytest.approx(1.0, abs=1e-3)
    assert {m: c.at_estimate for m, c in join.costs.items()} == pytest.approx(found, rel=0.01)


def test_outer_side_without_duplicates(connection: Connection) -> None:
    """A nested loop driven by the groups is still the semijoin, with its own price."""
    captured = capture(connection, DRIVING, settings=SERIAL | only("nested_loop"))
    assert captured.explain is not None
    plan = captured.explain.plan
    assert (plan.node_type, plan.plans[0].node_type) == ("Nested Loop", "Aggregate")

    (join,) = judge(captured)
    assert join.residual == pytest.approx(1.0, abs=1e-3)
    assert join.verdict == "accurate"


def test_groups_are_unique_where_the_relation_is_not(connection: Connection) -> None:
    """Inner Unique over a hash aggregate proves no index on the relation below: the plan alone can't tell of one."""
    captured = capture(connection, PROBED, settings=SERIAL | only("hash"), catalog=False)
    assert captured.explain is not None
    plan = captured.explain.plan
    assert isinstance(plan, JoinNode)
    assert plan.inner_unique
    assert "Aggregate" in {node.node_type for node in lay_out(plan).nodes}

    (join,) = judge(captured)
    assert join.verdict != "crossed"
    assert "nested_loop" not in join.costs or join.costs["nested_loop"].at_actual is None
