"""Joins of a partitioned table: their conditions name the table, the plan scans its partitions. On live servers."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon import releases
from rowreckon.plan import parse_document

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only

TABLES = """
create table guest(id int primary key, pad text);
insert into guest select i, repeat('g', 40) from generate_series(1, 20000) i;
create table night(guest int, status text, date int) partition by range (date);
create table night_1 partition of night for values from (0) to (50);
create table night_2 partition of night for values from (50) to (100);
insert into night select i % 20000 + 1, 'done', i % 100 from generate_series(1, 60000) i;
create table "Bunk"(id int, guest int, pad text) partition by hash (id);
create table bunk_1 partition of "Bunk" for values with (modulus 2, remainder 0);
create table bunk_2 partition of "Bunk" for values with (modulus 2, remainder 1);
insert into "Bunk" select i, i % 20000 + 1, repeat('b', 20) from generate_series(1, 60000) i;
create index on "Bunk"(guest);
analyze;
insert into night select i % 20000 + 1, 'waiting', i % 100 from generate_series(1, 25000) i;
"""
OUTER = "select max(g.pad) from night n join guest g on g.id = n.guest where n.status = 'waiting'"
INNER = 'select max(g.pad) from guest g join "Bunk" b on b.guest = g.id where g.id <= 30'
MANY = 'select max(g.pad) from guest g join "Bunk" b on b.guest = g.id where g.id <= 3000'


@pytest.fixture(scope="module", params=live_and_kept(__file__, releases.MODELLED))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with two partitioned tables, one of them with rows that nobody counted."""
    with kept_or_live(request, TABLES) as session:
        yield session


def _server_costs(connection: Connection, query: str) -> dict[str, float]:
    """What each method's join costs with the others switched off."""
    found = {}
    for method in ("nested_loop", "hash", "merge"):
        with connection.transaction(force_rollback=True):
            apply(connection, SERIAL | only(method))
            found[method] = float(explain(connection, query).plan.plans[0].total_cost or 0.0)
    return found


@pytest.mark.parametrize("catalog", [True, False])
def test_condition_of_the_whole_table(connection: Connection, catalog: bool) -> None:
    """The outer side is an Append; its table's condition is the join's, so that no method is left out."""
    (join,) = judge(capture(connection, OUTER, catalog=catalog))

    assert join.condition == "(g.id = n.guest)"
    assert join.excluded == {}
    assert join.outer.actual_rows == 25000
    assert join.verdict in (("crossed",) if catalog else ("crossed", "undecided"))


@pytest.mark.parametrize("catalog", [True, False])
@pytest.mark.parametrize("options", ["verbose, ", "verbose off, "])
def test_each_partition_enforces_one_condition(connection: Connection, catalog: bool, options: str) -> None:
    """The inner side is an Append of index scans; what they compare is one condition, that other methods could use."""
    captured = capture(connection, INNER, catalog=catalog)
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL)
        row = connection.execute(f"explain (analyze, {options}settings, format json) {INNER}".encode()).fetchone()
    assert row is not None
    (join,) = judge(captured.model_copy(update={"explain": parse_document(row[0][0])}))

    assert join.method == "nested_loop"
    assert join.excluded == {}
    if options == "verbose, ":
        assert join.condition == "(b.guest = g.id)"
    if catalog:
        assert join.verdict == "accurate"


@pytest.mark.parametrize("query", [OUTER, INNER, MANY])
def test_costs_as_the_server_reckons(connection: Connection, query: str) -> None:
    """All methods, whichever ran: partitions searched per outer row, read whole, or merged in their indexes' order."""
    (join,) = judge(capture(connection, query))

    assert join.residual == pytest.approx(1.0, abs=1e-3)
    modelled = {m: c.at_estimate for m, c in join.costs.items()}
    assert modelled == pytest.approx(_server_costs(connection, query), rel=0.01)
