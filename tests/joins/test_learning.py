"""What plans of one database tell each other, against what a live server says of its tables."""

from __future__ import annotations

from collections.abc import Iterator
from math import inf

import pytest

from rowreckon import auditing
from rowreckon.capture import Capture
from rowreckon.document.audit import Audit, Join, Plan
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.joins.learning.fellows import Fellows
from rowreckon.joins.learning.order import in_order
from rowreckon.joins.learning.plan_evidence import plan_evidence
from rowreckon.learned.facts import LearnedFacts, RelationName
from rowreckon.learned.together import Together
from rowreckon.plan import parse_document
from tests.joins.live import SERIAL, Connection, capture, filled

TABLES = """
create table huts (id int primary key, region int, name text);
insert into huts select g, g % 20, repeat('h', 30) from generate_series(1, 4000) g;
create table trails (id int, hut int, steep int, wet int, note text);
insert into trails select g, g * 7919 % 4000 + 1, g * 31 % 200, g * 31 % 200, repeat('n', 20)
  from generate_series(1, 60000) g;
create index trails_hut on trails (hut);
create table guests (id int, hut int, born int, city int, note text);
insert into guests select g, g * 104729 % 4000 + 1, g * 31 % 200, g * 31 % 200, repeat('g', 60)
  from generate_series(1, 20000) g;
create table passes (id int, height int);
insert into passes select g, g % 50 from generate_series(1, 1000) g;
"""
CROSSED = "select g.id, t.note from guests g join trails t on t.hut = g.hut where g.born < 6 and g.city < 6"
OPEN = "select g.id from guests g join trails t on t.hut = g.hut and t.steep < 100 where g.born < 1 and g.city < 1"
WHOLE = "select * from trails"


@pytest.fixture(scope="module")
def tables(database: str) -> Iterator[Connection]:
    with filled(database, TABLES) as connection:
        yield connection


def _named(connection: Connection, name: str, query: str, **more: str) -> Capture:
    found = capture(connection, query, settings=SERIAL | more, catalog=False)
    return found.model_copy(update={"name": name})


def _learned(*captures: Capture) -> LearnedFacts:
    """What the first learns from the others."""
    return Fellows(captures, one_database=True).facts_for(captures[0])


def _true(connection: Connection, name: str) -> tuple[float, float]:
    """The server's own word: the file's pages and the rows that its planner takes it to hold."""
    row = connection.execute(
        "select pg_relation_size(oid) / current_setting('block_size')::int, reltuples from pg_class where relname = %s",
        [name],
    ).fetchone()
    assert row is not None
    return float(row[0]), float(row[1])


@pytest.mark.parametrize(
    "queries",
    [
        [WHOLE],
        ["select * from trails where steep < 5"],
        ["explain-only: select * from trails"],
        ["explain-only: select * from trails where steep < 5 and wet > 7 and id > 3", "select * from trails"],
    ],
)
def test_sizes_are_the_servers(tables: Connection, queries: list[str]) -> None:
    """A whole scan tells them; so does a filtered one whose pages and rows were counted."""
    own = _named(tables, "own", CROSSED, enable_seqscan="on")
    others = [
        capture(tables, q.removeprefix("explain-only: "), catalog=False, analyze=not q.startswith("explain-only"))
        for q in queries
    ]
    size = _learned(own, *others).sizes[RelationName("public", "trails")].size

    assert size.exact
    assert (size.pages.low, size.rows.low) == _true(tables, "trails")


def test_a_small_table_is_as_large_as_it_was_counted(tables: Connection) -> None:
    """It has fewer pages than a table that was never analysed counts as, and is read whole behind a filter."""
    own = _named(tables, "own", "select * from passes where height < 5")
    another = _named(tables, "another", "select * from passes where id < 5")
    size = _learned(own, another).sizes[RelationName("public", "passes")].size

    assert (size.pages.low, size.rows.low) == _true(tables, "passes")
    assert size.exact


def test_scans_that_tell_less_give_bounds(tables: Connection) -> None:
    """A filtered scan that only was planned, and one that several processes share: the truth is inside."""
    shared = {"max_parallel_workers_per_gather": "2", "min_parallel_table_scan_size": "0", "parallel_setup_cost": "0"}
    filtered = capture(tables, "select * from trails where steep < 5", catalog=False, analyze=False)
    parallel = capture(tables, "select count(*) from trails", settings=shared, catalog=False)
    nothing = capture(tables, "select * from huts limit 1", catalog=False)
    pages, rows = _true(tables, "trails")
    for told in (filtered, parallel):
        size = _learned(told, nothing).sizes[RelationName("public", "trails")].size
        assert size.pages.low <= pages <= size.pages.high
        assert size.rows.low <= rows <= size.rows.high
        assert not size.exact


def test_what_is_computed_for_each_row_is_no_page(tables: Connection) -> None:
    """Expressions in the output, functions in the condition and stopped scans tell no size that is none."""
    nothing = capture(tables, "select * from huts limit 1", catalog=False)
    pages, rows = _true(tables, "trails")
    for query in (
        "select steep * 2 + wet from trails",
        "select * from trails where lower(note) = 'x'",
        "select * from trails limit 5",
        "select * from trails where (note)::varchar = 'x' or steep = 3",
    ):
        size = _learned(_named(tables, "one", query), nothing).sizes[RelationName("public", "trails")].size
        assert size.pages.low <= pages <= size.pages.high, query
        assert size.rows.low <= rows <= size.rows.high, query


def test_a_join_is_decided_with_what_others_tell(tables: Connection) -> None:
    """Alone the plan leaves the verdict open or closes it; with others it names them, and order changes no byte."""
    own = _named(tables, "own", CROSSED)
    others = [_named(tables, f"other#{n}", query) for n, query in enumerate([WHOLE, "select * from guests"] * 6)]
    alone = auditing.audit([own, *others], one_database=False)
    ahead = auditing.audit(auditing.by_name([own, *others]), one_database=True)
    back = auditing.audit(auditing.by_name([*reversed(others), own]), one_database=True)

    assert ahead.to_json() == back.to_json()
    assert _join(alone).learned_from == ()
    assert _join(ahead).learned_from == ("other#0",)
    assert _join(ahead).basis == "plan"
    assert _join(ahead).verdict == "crossed"
    assert {limit.fact: limit.value for limit in _join(ahead).turns_at}["rows of public.trails"] == 60_000.0
    assert all((t.from_ or 0.0) <= (t.value or 0.0) <= (t.to or inf) for t in _join(ahead).turns_at)
    assert [plan.source for plan in ahead.plans] == [*(f"other#{n}" for n in range(12)), "own"]


def _join(audit: Audit) -> Join:
    return next(plan for plan in audit.plans if plan.source == "own").joins[0]


def test_another_size_is_another_time(database: str, tables: Connection) -> None:
    """A table that has grown in between: nothing is learned across, and that is said."""
    with tables.transaction(force_rollback=True):
        before = [_named(tables, f"before#{n}", WHOLE) for n in range(2)]
        tables.execute("insert into trails select g, g, 1, 1, 'x' from generate_series(60001, 70000) g")
        after = [_named(tables, f"after#{n}", WHOLE) for n in range(2)]
        tables.execute("create temporary table kept (id int, hut int)")
        temporary = _named(tables, "temporary", "select * from kept")
    together = Together([plan_evidence(one, reckoned_of(one)).sizes for one in (*before, *after, temporary)])

    assert together.contradicting(0) == {2, 3}
    assert together.contradicting(3) == {0, 1}
    assert together.contradicting(4) == frozenset()
    assert together.facts_for(4, range(5)).sizes == {}
    assert together.facts_for(0, range(5)).left_out == 2
    told = auditing.audit([*before, *after], one_database=True).plans[0].notes
    assert "2 other plans contradict this one by a table's size or the release: nothing was learned from there" in told


def test_only_what_measures_alike_is_taken_for_one_database(tables: Connection) -> None:
    """Without anybody's word: plans that share a large table's size learn, those of a grown one do not."""
    own, other = _named(tables, "own", CROSSED), _named(tables, "other", WHOLE)
    bridge = _named(tables, "bridge", "select * from trails t join guests g on g.id = t.id")
    with tables.transaction(force_rollback=True):
        tables.execute("insert into guests select g, g, 1, 1, 'x' from generate_series(20001, 26000) g")
        grown = _named(tables, "grown", "select * from trails t join guests g on g.id = t.id")

    def learned(*captures: Capture) -> bool:
        return any(plan.learned_from for plan in auditing.audit(captures).plans)

    assert learned(own, other, bridge)
    assert not learned(own, other)  # no table that both measure
    assert not learned(own, other, bridge, grown)


def test_plans_that_tell_nothing(tables: Connection) -> None:
    """A plan from the cache, and one with a method switched off up to 17, are of another time or another price."""
    tables.execute("prepare cached (int) as select * from trails where steep < $1")
    with tables.transaction(force_rollback=True):
        tables.execute("set local plan_cache_mode = force_generic_plan")
        cached = _named(tables, "cached", "execute cached (5)")
    assert plan_evidence(cached, reckoned_of(cached)).sizes.told == ()

    whole = _named(tables, "whole", WHOLE)
    assert whole.explain is not None
    costly = whole.explain.plan.model_copy(update={"total_cost": 10_000_001_234.0, "startup_cost": 10_000_000_000.0})
    switched_off = whole.model_copy(update={"explain": whole.explain.model_copy(update={"plan": costly})})
    assert plan_evidence(switched_off, reckoned_of(switched_off)).sizes.told == ()


def test_settings_that_nobody_told_prove_no_pages(tables: Connection) -> None:
    """Rows are the plan's own word; pages are only where they come out whole though the rows' cost does not."""
    told = _named(tables, "told", WHOLE, seq_page_cost="1.7")
    untold = told.model_copy(
        update={"settings": None, "explain": told.explain and told.explain.model_copy(update={"settings": None})}
    )
    size = (
        _learned(untold, _named(tables, "other", "select * from huts limit 1"))
        .sizes[RelationName("public", "trails")]
        .size
    )

    assert size.rows.exact
    assert not size.pages.exact


SEARCHES = {
    "few": "select g.id, t.note from guests g join trails t on t.hut = g.hut where g.born < 3 and g.city < 3",
    "unique": "select g.id, h.name from guests g join huts h on h.id = g.hut where g.born < 2 and g.city < 2",
    "keys": "select g.id from guests g join huts h on h.id = g.hut where g.born < 9 and h.region = 3 and h.id > 7",
    "both": "select g.id, t.note from guests g join trails t on t.hut = g.hut and t.steep = g.born where g.born < 4",
}
WHOLES = [WHOLE, "select * from guests", "select * from huts"]


def test_indexes_are_those_of_the_server(tables: Connection) -> None:
    """No index is invented: name, first column and uniqueness are the catalog's, its pages lie between the bounds."""
    plans = [_named(tables, name, query) for name, query in SEARCHES.items()]
    plans += [_named(tables, f"merge {name}", query, enable_hashjoin="off") for name, query in SEARCHES.items()]
    plans += [_named(tables, query, query) for query in WHOLES]
    found = {
        (relation.name, index.name): index
        for plan in plans
        for relation, indexes in Fellows(plans, one_database=True).facts_for(plan).indexes.items()
        for index in indexes
    }

    assert {"trails_hut", "huts_pkey"} <= {name for _, name in found}
    for (relation, name), index in found.items():
        row = tables.execute(
            "select a.attname, i.indisunique, pg_relation_size(i.indexrelid) / 8192"
            " from pg_index i join pg_attribute a on a.attrelid = i.indrelid and a.attnum = i.indkey[0]"
            " where i.indrelid = %s::regclass and i.indexrelid = %s::regclass",
            [relation, name],
        ).fetchone()
        assert row is not None
        assert index.keys == {row[0]}
        assert not index.unique or row[1]
        assert index.pages.low <= float(row[2]) <= index.pages.high


def test_an_index_that_another_plan_searched_is_a_way(tables: Connection) -> None:
    """Few rows came where a hash join was made for many: the lookup is cheaper by an index that is known to be there.

    That a right estimate brings the nested loop is the server's own word.
    """
    many = "select g.id, t.note from guests g join trails t on t.hut = g.hut where {}"
    wrong, right = "g.born < 21 and g.city >= 20", "g.born = 20 and g.id >= 0"
    own = _named(tables, "own", many.format(f"{wrong} and g.id < 1000"))
    alone = auditing.audit([own]).plans[0].joins[0]
    others = [_named(tables, name, query) for name, query in SEARCHES.items()]
    others += [_named(tables, query, query) for query in WHOLES]
    told = next(p for p in auditing.audit([own, *others], one_database=True).plans if p.source == "own").joins[0]
    truth = capture(tables, many.format(f"{right} and g.id < 1000"), catalog=False, analyze=False)

    assert truth.explain is not None
    assert truth.explain.plan.node_type == "Nested Loop"
    assert (alone.method, alone.verdict) == ("hash", "undecided")
    assert (told.verdict, told.best_at_actual) == ("crossed", "nested_loop")
    assert "few" in told.learned_from


def test_what_no_plan_tells_is_asked_of_another_plan(tables: Connection) -> None:
    """An open verdict names the size that is lacking, and the query whose plan tells it and decides."""
    own, other = _named(tables, "own", OPEN), _named(tables, "other", "select * from huts")

    def audited(*others: Capture) -> Plan:
        return next(p for p in auditing.audit([own, *others], one_database=True).plans if p.source == "own")

    open_ = audited(other)
    asked = [open_.missing[n] for n in open_.joins[0].missing]
    assert open_.joins[0].verdict == "undecided"
    assert [m.what for m in asked] == ["the pages and rows of public.trails"]

    row = tables.execute(asked[0].how.encode()).fetchone()
    assert row is not None
    answer = Capture(name="answer", settings=own.settings, explain=parse_document(row[0][0]))
    decided = audited(other, answer.model_copy(update={"server_version": own.server_version}))
    assert decided.joins[0].verdict == "crossed"
    assert decided.joins[0].learned_from == ("answer",)


def test_two_plans_of_one_name_tell_alike(tables: Connection) -> None:
    """Only one of them says when it was made: what is learned is what the one tells, in whichever order they come."""
    reader = _named(tables, "reader", WHOLE)
    told = [
        _named(tables, "twice", query)
        for query in ("select hut, count(*) from trails group by hut", *SEARCHES.values())
    ]
    untold = [one.model_copy(update={"captured_at": None}) for one in told]
    timed = [one.model_copy(update={"captured_at": "2026-11-25T08:38:00+00:00"}) for one in told]
    learned = [_learned(reader, *timed, *untold), _learned(reader, *untold, *timed)]
    assert learned[0].distinct == learned[1].distinct
    assert learned[0].indexes == learned[1].indexes
    assert learned[0].distinct
    assert learned[0].indexes


def test_plans_are_ordered_by_their_numbers() -> None:
    """Also where a name is nothing but digits, more than int() reads (4,300, by its documentation)."""
    names = ["9" * 5_000, "plan#10", "plan#2", "plan"]
    assert sorted(names, key=in_order) == ["9" * 5_000, "plan", "plan#2", "plan#10"]


def test_more_evidence_never_decides_less(tables: Connection) -> None:
    """Whatever a plan decides by itself, it decides beside others too."""
    steep = "select g.id from guests g join trails t on t.hut = g.hut and t.steep < 100 where g.born < {0}"
    steep += " and g.city < {0}"
    queries = [CROSSED, OPEN, *SEARCHES.values(), *WHOLES, *(steep.format(n) for n in (2, 4, 8, 10))]
    plans = [_named(tables, f"plan {n}", query) for n, query in enumerate(queries)]
    alone = auditing.audit(plans, one_database=False, curves=False).plans
    together = auditing.audit(plans, one_database=True, curves=False).plans
    decided = [
        {(p.source, j.node) for p in audited for j in p.joins if j.verdict != "undecided"}
        for audited in (alone, together)
    ]

    assert decided[0] < decided[1]
