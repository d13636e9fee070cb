"""What comes below a join, against a live server: which of equal columns gives a value, what a scan costs."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.document.audit import Method
from rowreckon.plan import lay_out

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only

# 30,000 late rides came since the statistics were read: by these they are few
TABLES = """
create table rider(id int primary key, kind text);
create table ride(id int, rider int, day int);
create table fine(id int, rider int, cost int);
insert into rider select i, 'kind ' || i % 3 from generate_series(1, 20000) i;
insert into ride select i, 1 + (i * 31) % 20000, i % 1000 from generate_series(1, 60000) i;
insert into fine select i, 1 + (i * 11) % 20000, i % 9 from generate_series(1, 30000) i;
create index ride_day on ride(day); create index fine_rider on fine(rider);
analyze;
insert into ride select i, 1 + (i * 31) % 20000, 1000 from generate_series(1, 30000) i;
"""
# the partitions are analyzed, the table as a whole is not: few tracks are on offer, as only its own statistics tell
PARTS = """
create table trip(id int, rider int, track int) partition by hash (id);
create table trip_one partition of trip for values with (modulus 2, remainder 0);
create table trip_two partition of trip for values with (modulus 2, remainder 1);
insert into trip select i, 1 + (i * 31) % 20000, i % 20000 from generate_series(1, 60000) i;
create table offer(track int);
insert into offer select i from generate_series(1, 100) i;
analyze trip_one; analyze trip_two; analyze offer;
"""
OFFERS = "select t.id, d.kind from trip t join offer o on o.track = t.track join rider d on d.id = t.rider"
QUERY = (
    "select r.id, f.cost, d.kind from ride r join fine f on f.rider = r.rider join rider d on d.id = f.rider where {}"
)


@pytest.fixture(scope="module", params=live_and_kept(__file__))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with riders, their rides and fines."""
    with kept_or_live(request, TABLES + PARTS) as session:
        yield session


def price(connection: Connection, query: str, method: Method) -> float:
    """What the server says of a method."""
    with connection.transaction(force_rollback=True):
        apply(connection, only(method))
        plan = lay_out(explain(connection, query).plan)
    return float(plan.nodes[plan.joins()[0]].total_cost or 0.0)


@pytest.mark.parametrize("rides", ["r.day >= 1000", "r.day >= 970", "r.day < 3"])
def test_loop_is_priced_by_the_relation_that_gives_most_values(connection: Connection, rides: str) -> None:
    """The index scan takes its value from all riders, not from the few rides: the costs are the server's."""
    off = SERIAL | {"enable_hashjoin": "off", "enable_mergejoin": "off", "enable_memoize": "off"}
    top = judge(capture(connection, QUERY.format(rides), settings=off))[0]

    assert top.method == "nested_loop"
    assert top.condition is not None
    assert top.condition.count(" AND ") == 1
    assert top.residual == pytest.approx(1.0, abs=0.01)


def test_crossing_is_found_where_the_server_changes_its_mind(connection: Connection) -> None:
    """With statistics that know the late rides the server leaves the loop, as is said before they do."""
    query = QUERY.format("r.day >= 1000")
    before = judge(capture(connection, query))
    with connection.transaction(force_rollback=True):
        connection.execute("analyze ride")
        apply(connection, SERIAL)
        after = explain(connection, query).plan

    assert [j.verdict for j in before if j.method == "nested_loop"] == ["crossed"]
    assert after.node_type == "Hash Join"


@pytest.mark.parametrize("rides", ["r.day >= 1000", "r.day >= 900"])
def test_scan_that_found_more_is_priced_by_what_it_found(connection: Connection, rides: str) -> None:
    """Each method's cost at the rows that came is the server's own once its statistics know them, scans included."""
    query = f"select r.id, f.cost from ride r join fine f on f.rider = r.rider where {rides}"
    (before,) = judge(capture(connection, query))
    with connection.transaction(force_rollback=True):
        connection.execute("analyze ride")
        apply(connection, SERIAL)
        methods: tuple[Method, ...] = ("hash", "merge")
        server = {m: price(connection, query, m) for m in methods}

    costs = {m: c.at_actual for m, c in before.costs.items() if m in server}
    assert costs == pytest.approx(server, rel=0.05)


def test_partitioned_table_gives_its_values_as_one_relation(connection: Connection) -> None:
    """The loop is reckoned to be repeated for each row of the partitioned table: its cost is the server's, once that
    knows how few pairs there are."""
    before = judge(capture(connection, OFFERS, settings=SERIAL))
    with connection.transaction(force_rollback=True):
        connection.execute("analyze trip")
        apply(connection, SERIAL)
        after = explain(connection, OFFERS).plan

    top = before[0]
    assert (top.method, top.verdict) == ("hash", "crossed")
    assert after.node_type == "Nested Loop"
    assert top.costs["nested_loop"].at_actual == pytest.approx(float(after.total_cost or 0), rel=0.01)
