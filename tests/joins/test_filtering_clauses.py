"""Join clauses that no hash table and no order serves, beside one that does, and by themselves: against live servers.

At the estimates each method's cost is the server's own with that method left. Where the sides and the pairs that an
equality finds come as expected, and the other clauses alone let more or fewer of them through than expected, a hash or
merge join costs what it was expected to.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon import releases
from rowreckon.document.audit import Method
from rowreckon.plan import lay_out

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only

TABLES = """
create table tariff(hut int, from_day int, to_day int, season int4range, tags int[], fee int);
insert into tariff select g % 100, g / 100 * 10, g / 100 * 10 + 10, int4range(g / 100 * 10, g / 100 * 10 + 10),
  array[g % 7, g % 11], g % 50 from generate_series(0, 3999) g;
create table night(hut int, day int, days int4range, tags int[], paid int, pad text);
insert into night select g % 100, (g * 7) % 400, int4range((g * 7) % 400, (g * 7) % 400 + 2), array[g % 7], g % 50,
  repeat('n', 30) from generate_series(1, 20000) g;
"""
FILTERS = {
    "range of days": "n.day >= t.from_day and n.day < t.to_day",
    "overlap": "n.days && t.season",
    "overlap and order": "n.days && t.season and n.day < t.to_day",
    "arrays": "t.tags @> n.tags",
    "unequal": "n.paid <> t.fee",
    "either": "(n.paid = t.fee or n.day = t.from_day)",
}
METHODS: tuple[Method, ...] = ("hash", "merge", "nested_loop")


@pytest.fixture(scope="module", params=live_and_kept(__file__, releases.MODELLED))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with nights and tariffs."""
    with kept_or_live(request, "", TABLES) as session:
        session.execute("vacuum analyze")
        yield session


@pytest.mark.oldest_and_newest
@pytest.mark.parametrize("name", FILTERS)
def test_methods_cost_what_the_server_says(connection: Connection, name: str) -> None:
    """All three methods at the estimate, to within one percent."""
    query = f"select count(*) from night n join tariff t on t.hut = n.hut and {FILTERS[name]}"
    (join,) = judge(capture(connection, query, settings=SERIAL))

    for method in METHODS:
        with connection.transaction(force_rollback=True):
            apply(connection, SERIAL | only(method))
            plan = lay_out(explain(connection, query).plan)
        server = float(plan.nodes[plan.joins()[0]].total_cost or 0)
        assert join.costs[method].at_estimate == pytest.approx(server, rel=0.01), method
    assert join.residual == pytest.approx(1.0, abs=1e-4)


@pytest.mark.oldest_and_newest
@pytest.mark.parametrize("name", FILTERS)
def test_pairs_that_were_rejected_cost_what_they_were_expected_to(connection: Connection, name: str) -> None:
    """A hundred huts, each with its share of nights and tariffs: the equality finds what is expected of it."""
    query = f"select count(*) from night n join tariff t on t.hut = n.hut and {FILTERS[name]}"
    (join,) = judge(capture(connection, query, settings=SERIAL | {"enable_nestloop": "off"}))

    for costs in (join.costs["hash"], join.costs["merge"]):
        assert costs.at_actual == pytest.approx(costs.at_estimate or 0, rel=0.03)


@pytest.mark.oldest_and_newest
def test_or_over_both_sides_is_priced(connection: Connection) -> None:
    """A nested loop that filters by an OR alone."""
    query = "select count(*) from night n join tariff t on t.hut = n.hut or t.fee = n.paid where n.day < 40"
    (join,) = judge(capture(connection, query, settings=SERIAL))
    plan = lay_out(explain(connection, query).plan)

    assert join.basis == "catalog"
    assert join.costs["nested_loop"].at_estimate == pytest.approx(
        float(plan.nodes[plan.joins()[0]].total_cost or 0), rel=0.01
    )
