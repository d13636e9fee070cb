"""What a schema file says of the indexes that could serve a join, against what the live server then reckons.

The server's word is the plan of the same query with its estimate made right: two equal columns are asked for by one.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from rowreckon import releases
from rowreckon.capture import Capture
from rowreckon.declared.agreement import agreeing, with_seen
from rowreckon.declared.reading import read_schema_files
from rowreckon.declared.result import declared_of
from rowreckon.document.audit import Join
from rowreckon.joins.facts.declared_indexes import DeclaredIndexes
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.joins.facts.sides import METHODS, Aliases, join_facts
from rowreckon.joins.from_plan.needed_columns import needed_columns
from rowreckon.plan import lay_out
from tests.joins.live import SERIAL, Connection, apply, capture, explain, filled, judge, only
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers

SCHEMA = """
create table guests (id int, week int, season int, hut int, pad text);
create table nights (night int, hut int, price int);
create index nights_swept on nights (night, hut);
create table seasons (id int, label text);
create table trails (hut int, steep int, note text);
create index trails_hut on trails (hut) include (steep);
create table keepers (hut int, born int);
create unique index keepers_hut on keepers (hut);
"""
ROWS = """
insert into guests select g, g % 200, g % 200, (g * 7919) % 3000 + 1, repeat('g', 20) from generate_series(1, 20000) g;
insert into nights select g % 900, (g * 131) % 3000 + 1, g from generate_series(1, 3000) g;
insert into seasons select g, repeat('s', 20) from generate_series(0, 400) g;
insert into trails select (g * 31) % 3000 + 1, g % 90, repeat('t', 150) from generate_series(1, 30000) g;
insert into keepers select g, g % 100 from generate_series(1, 3000) g;
"""
WRONG, RIGHT = "g.week < 101 and g.season >= 100", "g.week = 100 and g.season >= -1"
ANTI = "select g.id, g.pad from guests g where {0} and not exists (select from nights n where n.hut = g.hut)"
CHAIN = "select g.id, t.note from guests g join trails t on t.hut = g.hut join seasons s on s.id = g.week where {0}"
NARROW = "select g.id, t.steep from guests g join trails t on t.hut = g.hut where {0}"


@pytest.fixture(scope="module", params=[16, releases.NEWEST])
def huts(servers: Servers, request: pytest.FixtureRequest) -> Iterator[Connection]:
    """Guests, and what they join: an index that has the key second, and one that has it first."""
    with fresh_database(servers(request.param).dsn) as dsn, filled(dsn, SCHEMA + ROWS) as connection:
        yield connection


def _with_file(captured: Capture, folder: Path, schema: str, *, seen: bool = False) -> Capture:
    """The capture with what a schema file tells; `seen`: another plan reads each of its indexes."""
    (folder / "schema.sql").write_text(schema)
    files = read_schema_files([folder / "schema.sql"], 1_000_000)
    assert captured.explain is not None
    left = agreeing(
        declared_of(files, {"guests", "nights", "seasons", "trails", "keepers"}), lay_out(captured.explain.plan)
    )
    assert left.notes == ()
    indexes = {(r.schema_, r.name, i.name): "another" for r in left.declared.relations for i in r.indexes}
    return captured.model_copy(update={"declared": with_seen(left.declared, indexes if seen else {})})


def _taken(connection: Connection, query: str, settings: dict[str, str]) -> str:
    """The topmost join's method where the estimate is right, by the server."""
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL | settings)
        return METHODS[explain(connection, query.format(RIGHT)).plan.node_type]


def _top(captured: Capture) -> Join:
    return judge(captured)[0]


def test_a_swept_index_orders_nothing_and_is_no_cheap_search(huts: Connection, tmp_path: Path) -> None:
    """An index whose first column the query does not ask for leads to no row: up to 17 all its entries are visited."""
    captured = capture(huts, ANTI.format(WRONG), catalog=False)
    alone, told = _top(captured), _top(_with_file(captured, tmp_path, SCHEMA))
    assert (alone.method, alone.verdict) == ("hash", "undecided")
    assert _taken(huts, ANTI, {}) == "hash"

    assert told.verdict == ("held" if huts.info.server_version < 180000 else "undecided"), told.why


@pytest.mark.parametrize(
    "schema",
    [
        SCHEMA.replace("(night, hut)", "(hut, night)"),
        SCHEMA.replace("nights (night, hut)", "nights (night, hut) where price > 5"),
        SCHEMA.replace("nights (night, hut)", "nights ((night + 1), hut)"),
    ],
)
def test_what_might_lead_to_a_row_leaves_it_open(huts: Connection, tmp_path: Path, schema: str) -> None:
    """The key first, few rows in the index, an expression first: none of these is called swept."""
    captured = capture(huts, ANTI.format(WRONG), catalog=False)
    assert _top(_with_file(captured, tmp_path, schema)).verdict == "undecided"


def test_an_index_is_searched_by_the_rows_of_a_join(huts: Connection, tmp_path: Path) -> None:
    """The side that drives the loop may be a join itself; with the index seen the server's choice is found."""
    settings = {"random_page_cost": "1.1", "enable_memoize": "off"}
    captured = capture(huts, CHAIN.format(WRONG), settings=SERIAL | settings, catalog=False)
    alone, told = _top(captured), _top(_with_file(captured, tmp_path, SCHEMA, seen=True))
    assert (alone.method, len(alone.inner.tables)) == ("hash", 2)

    assert told.verdict == "crossed", told.why
    assert told.best_at_actual == _taken(huts, CHAIN, settings) == "nested_loop"


def test_a_unique_index_that_lacks_a_filtered_column_is_not_all_that_is_read(huts: Connection, tmp_path: Path) -> None:
    """The server reads the table for the filter, too, where it searches the index; without the filter it need not."""
    for own, alone in (("", True), (" and k.born < 90", False)):
        query = f"select g.id from guests g join keepers k on k.hut = g.hut{own} where {RIGHT}"
        searched = {"enable_hashjoin": "off", "enable_mergejoin": "off", "enable_memoize": "off"}
        with huts.transaction(force_rollback=True):
            apply(huts, SERIAL | searched)
            assert explain(huts, query).plan.plans[1].node_type == ("Index Only Scan" if alone else "Index Scan")
        captured = _with_file(capture(huts, query, settings=SERIAL, catalog=False), tmp_path, SCHEMA)
        reckoned = reckoned_of(captured)
        assert captured.declared is not None
        declared = DeclaredIndexes(captured.declared, reckoned.tree)
        (number,) = reckoned.tree.joins()
        facts = join_facts(reckoned, number, Aliases(reckoned.tree))
        needed = needed_columns(reckoned, facts, facts.inner.scan)
        assert needed is not None
        assert declared.unique_holds(facts, facts.inner, needed) is alone


def test_included_columns_are_held(huts: Connection, tmp_path: Path) -> None:
    """What a file says of INCLUDE tells which queries the index answers alone; the server's choice is found."""
    captured = capture(huts, NARROW.format(WRONG), catalog=False)
    top = _top(_with_file(captured, tmp_path, SCHEMA, seen=True))

    assert top.verdict != "undecided", top.why
    assert (top.best_at_actual or top.method) == _taken(huts, NARROW, {})


def test_the_kept_side_of_a_right_semijoin_counts_its_matches(huts: Connection) -> None:
    """Its printed cost is met on the plan alone, but for the pairs, each of which is charged cpu_tuple_cost
    (final_cost_hashjoin): ten rows match each season, of which no plan tells, and two are taken."""
    query = "select s.id from seasons s where not exists (select from trails t where t.hut = s.id)"
    captured = capture(huts, query, settings=SERIAL | only("hash"), catalog=False)
    top = _top(captured)
    assert captured.explain is not None
    printed = captured.explain.plan.total_cost

    assert top.join_type == "right_anti"
    assert top.costs["hash"].at_estimate == pytest.approx(float(printed or 0.0) - 0.01 * 401 * (10 - 2), abs=0.05)
