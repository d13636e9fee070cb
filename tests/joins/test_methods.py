"""Which methods are offered: never a hash or merge join that the condition, join type or key type forbids.

The operators that can hash and merge are those of pg_operator (read from live servers of 13 to 18): money and tsvector
merge but don't hash, xid hashes but doesn't merge.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from .live import Connection, capture, judge, kept_or_live, live_and_kept, only

TABLES = """
create table hut(id int primary key, fee money, altitude int, label text);
insert into hut select i, (i % 50)::money, 1500 + i % 900, 'hut ' || i from generate_series(1, 2000) i;
create table guest(id int primary key, paid money, altitude int, hut_id int);
insert into guest select i, (i % 50)::money, 1500 + i % 900, i % 2000 + 1 from generate_series(1, 6000) i;
analyze hut; analyze guest;
"""


@pytest.fixture(scope="module", params=live_and_kept(__file__))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with huts and guests."""
    with kept_or_live(request, TABLES) as session:
        yield session


@pytest.mark.parametrize("catalog", [True, False])
def test_inequality_is_for_nested_loops(connection: Connection, catalog: bool) -> None:
    """A join by `<` alone is never offered a hash or merge join."""
    query = "select count(*) from hut h join guest g on g.altitude < h.altitude where h.id < 5"
    (join,) = judge(capture(connection, query, catalog=catalog))

    assert not join.equality
    assert set(join.costs) <= {"nested_loop"}
    assert set(join.excluded) == {"hash", "merge"}
    assert all("no equality" in reason for reason in join.excluded.values())


def test_money_does_not_hash(connection: Connection) -> None:
    """The catalog says that money has no hash operator class."""
    query = "select count(*) from hut h join guest g on g.paid = h.fee where h.id < 50"
    (join,) = judge(capture(connection, query))

    assert "hash" not in join.costs
    assert "hash operator class" in join.excluded["hash"]
    assert "merge" not in join.excluded


def test_full_join_is_no_nested_loop(connection: Connection) -> None:
    """A full join keeps hash and merge, and the reason for the third is given."""
    (join,) = judge(capture(connection, "select * from hut h full join guest g on g.hut_id = h.id"))

    assert "nested_loop" in join.excluded
    assert {"hash", "merge"} <= set(join.costs)


def test_cross_join(connection: Connection) -> None:
    """Without a condition only a nested loop is left."""
    (join,) = judge(capture(connection, "select * from hut h cross join guest g where h.id < 3 and g.id < 3"))

    assert join.condition is None
    assert set(join.excluded) == {"hash", "merge"}


def test_sides_turn_with_the_method(connection: Connection) -> None:
    """Whichever way the planner took, the costs of all methods agree: both orders of the sides were tried."""
    query = "select * from hut h join guest g on g.hut_id = h.id where h.altitude < 1510"
    found = {}
    for method in ("nested_loop", "hash", "merge"):
        (join,) = judge(capture(connection, query, settings={**only(method), "max_parallel_workers_per_gather": "0"}))
        assert join.method == method
        found[method] = join.costs[method].at_estimate
        assert join.residual == pytest.approx(1.0, abs=1e-3)
    (free,) = judge(capture(connection, query))
    modelled = {m: c.at_estimate for m, c in free.costs.items()}

    assert modelled == pytest.approx(found, rel=0.01)
