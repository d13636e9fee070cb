"""Joins whose rows are wanted in an order, and joins with a side that a subquery computes, against a live server."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.document.audit import Method
from rowreckon.plan import lay_out

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only
from .test_right_estimates import TABLES, WRONG

MORE = "create index stay_guest on stay(guest); analyze stay;"
VISITS = "from stay s join visit v on v.guest = s.guest where {}"
METHODS: tuple[Method, ...] = ("nested_loop", "hash", "merge")
SUBQUERIES = {
    "limit": "select * from stay s where {} order by id limit 300",
    "one column": "select guest, count(*) from stay s where {} group by guest",
    "distinct": "select distinct guest from stay s where {}",
    "several columns": "select guest, hut, count(*) from stay s where {} group by guest, hut",
    "count handed on": "select guest, hut, count(*) from stay s where {} group by guest, hut",
}


@pytest.fixture(scope="module", params=live_and_kept(__file__))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with stays and visits."""
    with kept_or_live(request, TABLES + MORE) as session:
        yield session


def _server_costs(connection: Connection, query: str, top: str | None) -> dict[Method, float]:
    """What the server says of each method: with the Sort on top if it is named and there, else of the join alone."""
    found: dict[Method, float] = {}
    for method in METHODS:
        with connection.transaction(force_rollback=True):
            apply(connection, SERIAL | only(method))
            plan = lay_out(explain(connection, query).plan)
        at = plan.joins()[0]
        if at > 0 and plan.nodes[plan.parent[at]].node_type == top:
            at = plan.parent[at]
        found[method] = float(plan.nodes[at].total_cost or 0.0)
    return found


@pytest.mark.parametrize("order", ["s.guest", "v.guest", "s.guest desc", "s.id"])
def test_sort_is_spared_by_a_way_that_gives_the_order(connection: Connection, order: str) -> None:
    """Each method's cost at the estimates with what an ORDER BY adds to it, which is nothing below a merge join by the
    same column."""
    query = f"select s.id, s.guest, v.nights {VISITS.format(WRONG)} order by {order}"
    (join,) = judge(capture(connection, query))
    server = _server_costs(connection, query, "Sort")

    assert {m: c.at_estimate for m, c in join.costs.items()} == pytest.approx(server, rel=0.01)
    assert join.residual == pytest.approx(1.0, abs=1e-3)


def test_grouping_takes_rows_in_order_or_hashes_them(connection: Connection) -> None:
    """Where rows are grouped no method is charged with a sort, as hashing does without."""
    query = f"select s.guest, count(*), max(v.nights) {VISITS.format(WRONG)} group by s.guest"
    (join,) = judge(capture(connection, query))

    assert {m: c.at_estimate for m, c in join.costs.items()} == pytest.approx(
        _server_costs(connection, query, None), rel=0.01
    )


@pytest.mark.parametrize("columns", ["s.guest, v.nights", "v.guest, s.week, v.nights"])
def test_sort_by_more_columns_is_spared_in_part(connection: Connection, columns: str) -> None:
    """Rows that come by the first column are sorted in part: what each method costs with that, or with a whole sort."""
    query = f"select s.id, s.guest, s.week, v.nights {VISITS.format('s.week < 60')} order by {columns}"
    (join,) = judge(capture(connection, query))
    server: dict[str, float] = {}
    for method in METHODS:
        with connection.transaction(force_rollback=True):
            apply(connection, SERIAL | only(method))
            server[method] = float(explain(connection, query).plan.total_cost or 0.0)
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL | only("merge"))
        nodes = lay_out(explain(connection, query).plan).nodes

    assert "Incremental Sort" in {node.node_type for node in nodes}
    assert {m: c.at_estimate for m, c in join.costs.items()} == pytest.approx(server, rel=0.01)


@pytest.mark.parametrize("kind", SUBQUERIES)
def test_side_that_a_subquery_computes(connection: Connection, kind: str) -> None:
    """Every method's cost over a LIMIT, a grouping or a DISTINCT: their columns' values are known in another way."""
    subquery = SUBQUERIES[kind].format(WRONG)
    handed_on = ", s.count" if kind == "count handed on" else ""
    query = f"select v.nights{handed_on} from ({subquery}) s join visit v on v.guest = s.guest"
    (join,) = judge(capture(connection, query))
    server = _server_costs(connection, query, None)

    assert join.residual == pytest.approx(1.0, abs=0.01)
    assert {m: c.at_estimate for m, c in join.costs.items()} == pytest.approx(server, rel=0.02)
