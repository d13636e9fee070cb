"""What the model says of the actual rows, against a live planner that expects them.

Two columns of `stay` always hold the same value, so that a condition on both is estimated as if they were independent;
a condition on one of them lets the same rows through and is estimated right. The server's cost of the second query's
join is what the first one's should be at its actual rows.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.document.audit import Join

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only, run

TABLES = """
create table stay(id int, week int, season int, guest int, hut int);
insert into stay select g, (g * 31) % 200, (g * 31) % 200, (g::bigint * 7919) % 5000 + 1, g % 400
  from generate_series(1, 20000) g;
create table visit(guest int, nights int);
insert into visit select (g::bigint * 104729) % 5000 + 1, g % 1000 from generate_series(1, 10000) g;
create index visit_guest on visit(guest);
create table hut(id int primary key, label text);
insert into hut select g, repeat('h', 12) from generate_series(0, 400) g;
analyze stay; analyze visit; analyze hut;
"""
WRONG = "s.week < 20 and s.season < 20"
RIGHT = "s.week < 20 and s.season >= -1"

MISCOUNTED = """
create table entry(id int, week int, season int, guest int);
insert into entry select id, week, season, id % 4999 + 1 from stay;
alter table entry alter column guest set (n_distinct = 20);
analyze entry;
"""
COUNTED = "alter table entry alter column guest reset (n_distinct); analyze entry"


@pytest.fixture(scope="module", params=live_and_kept(__file__))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with stays, visits and huts."""
    with kept_or_live(request, TABLES) as session:
        yield session


def _server_cost(connection: Connection, query: str, settings: dict[str, str]) -> float:
    with connection.transaction(force_rollback=True):
        apply(connection, settings)
        return float(explain(connection, query).plan.total_cost or 0.0)


def _ways(join: Join, method: str) -> list[float]:
    return [w.at_actual for m, c in join.costs.items() if m == method for w in c.ways if w.at_actual is not None]


def test_build_side_below_a_join_has_its_actual_keys(connection: Connection) -> None:
    """Over a misestimated join a hash table's buckets are as full as the key relation's actual rows make them."""
    template = (
        "select s.id, v.nights from stay s left join visit v on v.guest = s.guest join hut h on h.id = s.hut where {}"
    )
    tuning = {**SERIAL, "random_page_cost": "1.1", "work_mem": "16MB"}
    joins = judge(capture(connection, template.format(WRONG), settings=tuning))
    top = next(j for j in joins if len(j.outer.tables) == 2 or len(j.inner.tables) == 2)
    assert top.outer.actual_rows == pytest.approx(2000)
    server = _server_cost(connection, template.format(RIGHT), {**tuning, **only("hash")})

    assert min(_ways(top, "hash")) == pytest.approx(server, rel=0.01)


def test_join_below_is_priced_anew(connection: Connection) -> None:
    """Many more rows than expected come out of the lower join, which right estimates would have run in another way."""
    template = (
        "select s.id, v.nights from stay s join visit v on v.guest = s.guest and v.nights < 800"
        " join hut h on h.id = s.hut where {}"
    )
    settings = {**SERIAL, "join_collapse_limit": "1"}
    upper, lower = judge(capture(connection, template.format("s.week < 4 and s.season < 4"), settings=settings))
    assert lower.verdict == "crossed"
    right = template.format("s.week < 4 and s.season >= -1")
    with connection.transaction(force_rollback=True):
        apply(connection, settings)
        plan = explain(connection, right).plan
    below = upper.outer.actual_rows
    assert below is not None
    assert below == pytest.approx(plan.plans[0].plan_rows, rel=0.1)

    assert plan.node_type == "Hash Join"
    assert min(_ways(upper, "hash")) == pytest.approx(float(plan.total_cost or 0.0), rel=0.005)


@pytest.mark.parametrize("grouped", [False, True])
def test_run_proves_more_keys_than_the_statistics_know(connection: Connection, grouped: bool) -> None:
    """A Memoize that missed more often, or more groups of the key, than there are distinct values by the statistics:
    remembering is as dear at the actual rows as the planner finds it once the column is counted."""
    rows = f"select * from entry s where {WRONG.replace('20', '40')}"
    if grouped:
        rows = f"select guest, count(*) from ({rows}) s group by guest"
    query = f"select * from ({rows}) s join visit v on v.guest = s.guest"
    run(connection, MISCOUNTED)
    settings = {**SERIAL, **only("nested_loop"), "enable_bitmapscan": "off"}
    try:
        joins = judge(capture(connection, query, settings=settings))
        run(connection, COUNTED)
        right = query.replace("s.season < 40", "s.season >= -1")
        server = _server_cost(connection, right, settings)
    finally:
        run(connection, "drop table entry")

    # the server expects 2,952 keys by then (estimate_num_groups), 3,324 came
    assert min(_ways(joins[0], "nested_loop")) == pytest.approx(server, rel=0.1)


def test_filter_of_an_inner_index_scan(connection: Connection) -> None:
    """What the inner scan's filter kept of what its index found tells how many rows the other methods would read."""
    template = "select v.nights, s.id from visit v join trip s on s.guest = v.guest where v.nights < 50 and {}"
    settings = {**SERIAL, "random_page_cost": "0.5", "enable_bitmapscan": "off"}
    run(
        connection,
        "create table trip as select id, week, season, (hashint4(id) & 65535) % 5000 + 1 as guest from stay;"
        " create index trip_guest on trip(guest); analyze trip",
    )
    try:
        (join,) = judge(capture(connection, template.format(WRONG), settings=settings))
        assert join.method == "nested_loop"
        server = {m: _server_cost(connection, template.format(RIGHT), settings | only(m)) for m in ("hash", "merge")}
    finally:
        run(connection, "drop table trip")
    for method, cost in join.costs.items():
        if method in server:
            assert cost.at_actual == pytest.approx(server[method], rel=0.05)


def test_rows_are_remembered_once_more_than_one_comes(connection: Connection) -> None:
    """The planner remembers nothing for a single outer row; where a hundred came it would have."""
    template = "select t.id, v.nights from trip t join visit v on v.guest = t.guest where {}"
    few, right = "t.week < 1 and t.season < 1", "t.week < 1 and t.season >= -1"
    settings = {**SERIAL, **only("nested_loop"), "enable_bitmapscan": "off"}
    run(
        connection,
        "create table trip as select id, week, season, (hashint4(id) & 7) + 1 as guest from stay; analyze trip",
    )
    try:
        (join,) = judge(capture(connection, template.format(few), settings=settings))
        server = _server_cost(connection, template.format(right), settings)
    finally:
        run(connection, "drop table trip")

    assert join.outer.estimated_rows == 1
    assert min(_ways(join, "nested_loop")) == pytest.approx(server, rel=0.02)
