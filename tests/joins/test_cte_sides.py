"""Joins with a common table expression that is scanned: each method's cost is a live server's own, of 13 and 18.

17 knows of a DISTINCT column that it repeats no value, and not of a grouped one; a plan shows both alike."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon import releases
from rowreckon.document.audit import Method
from rowreckon.plan import lay_out

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only

TABLES = """
create table hut(id int primary key, altitude int, label text);
insert into hut select g, g % 900, 'hut ' || g from generate_series(1, 9000) g;
create table night(hut int, paid int, pad text);
insert into night select (g::bigint * g) % 9000 + 1, g % 50, repeat('n', 20) from generate_series(1, 60000) g;
"""
QUERIES = {
    "grouped": """with per as (select hut, count(*) n from night group by hut)
        select count(*) from per join hut h on h.id = per.hut where n > (select 5 * avg(n) from per)""",
    "distinct": """with per as materialized (select distinct hut from night)
        select count(*) from per join hut h on h.id = per.hut""",
    "plain": """with dear as materialized (select hut, paid from night where paid > 30)
        select count(*) from dear join hut h on h.id = dear.hut where dear.paid < 40""",
    "by two columns": """with per as materialized (select hut, paid, count(*) n from night group by hut, paid)
        select count(*) from per join hut h on h.id = per.hut""",
    "recursive": """with recursive up as (select 1 as id union all select id * 2 from up where id < 4000)
        select count(*) from up join hut h on h.id = up.id""",
}
METHODS: tuple[Method, ...] = ("hash", "merge", "nested_loop")


@pytest.fixture(scope="module", params=live_and_kept(__file__, releases.MODELLED))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with huts and nights."""
    with kept_or_live(request, "", TABLES) as session:
        session.execute("vacuum analyze")
        yield session


@pytest.mark.oldest_and_newest
@pytest.mark.parametrize("name", QUERIES)
def test_methods_cost_what_the_server_says(connection: Connection, name: str) -> None:
    """All three methods at the estimate, to within one percent."""
    (join,) = judge(capture(connection, QUERIES[name], settings=SERIAL))

    assert join.basis == "catalog"
    for method in METHODS:
        with connection.transaction(force_rollback=True):
            apply(connection, SERIAL | only(method))
            plan = lay_out(explain(connection, QUERIES[name]).plan)
        server = float(plan.nodes[plan.joins()[0]].total_cost or 0)
        assert join.costs[method].at_estimate == pytest.approx(server, rel=0.01), method
