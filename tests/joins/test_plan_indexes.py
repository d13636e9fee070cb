"""What a plan betrays of indexes that its joins did not search, or searched without a leading column.

The plans are those of a live server; pg_class says how large the indexes are, and the server's own costs with the other
methods switched off what a join over them would have cost.
"""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.counts import ReckonedTree, reckon
from rowreckon.document.audit import Join
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.settings import settings_of
from rowreckon.joins.facts.sides import Aliases, JoinFacts, join_facts
from rowreckon.joins.from_plan.inputs import plan_worlds
from rowreckon.joins.from_plan.loop_executions import LoopEvidence, loop_evidence
from rowreckon.joins.from_plan.whole_index_scans import leads, whole_index
from rowreckon.joins.from_plan.whole_table_scans import RelationEvidence
from rowreckon.plan import lay_out
from rowreckon.plan.tree import alias_of

from .live import SERIAL, Connection, apply, capture, explain, judge, only

INDEX_ONLY = {"enable_seqscan": "off", "enable_bitmapscan": "off", "work_mem": "16MB"}
CHEAP_INDEX = {"random_page_cost": "1.1", "enable_memoize": "off", "enable_bitmapscan": "off", "work_mem": "16MB"}

TABLES = """
create table hikers(id int, hut int, member int);
insert into hikers select g, g % 40, (g * 7919) % 20000 from generate_series(1, 20000) g;
create unique index hikers_id on hikers(id);
create index hikers_member on hikers(member);
create table beds(hiker int, night int, label text);
insert into beds select (g * 131) % 5000, g % 700, repeat('b', 30) from generate_series(1, 30000) g;
create index beds_hiker on beds(hiker, night);
create table tours(hiker int, night int);
insert into tours select (g * 131) % 5000, g % 700 from generate_series(1, 30000) g;
create index tours_night on tours(night, hiker);
create table walks(id int, hiker int, kind int);
insert into walks select g, (g * 31) % 20000 + 1, g % 500 from generate_series(1, 9000) g;
create table guides(hiker int);
insert into guides select (g * 31) % 2000 from generate_series(1, 20000) g;
create table lodges(id int, label text);
insert into lodges select g, repeat('l', 200) from generate_series(1, 4000) g;
create unique index lodges_id on lodges(id);
vacuum analyze hikers, beds, tours, walks, guides, lodges;
"""


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[Connection]:
    """Hikers with a unique and a plain index, two tables of nights whose index has the hiker first or last, lodges
    with an index smaller than their table, and walks that drive the joins."""
    with psycopg.connect(database, autocommit=True) as connection:
        for statement in TABLES.strip().split(";\n"):
            connection.execute(statement.encode())
        yield connection


class Planned:
    """One join of a live plan, with what the tests ask of it."""

    def __init__(self, connection: Connection, query: str, settings: dict[str, str]) -> None:
        self.captured = capture(connection, query, settings=SERIAL | settings, catalog=False)
        assert self.captured.explain is not None
        self.reckoned: ReckonedTree = reckon(lay_out(self.captured.explain.plan))
        self.settings, _ = settings_of(self.captured, self.reckoned.tree)
        tree = self.reckoned.tree
        self.facts: JoinFacts = join_facts(self.reckoned, tree.joins()[0], Aliases(tree))

    @property
    def loop(self) -> LoopEvidence:
        """What the executed nested loop tells."""
        relations = RelationEvidence(self.settings, self.reckoned)
        known = loop_evidence(JoinAtHand(self.settings, self.reckoned, self.facts), relations)
        assert known is not None
        return known

    @property
    def join(self) -> Join:
        """The join as it is judged."""
        return judge(self.captured)[0]


def _size(connection: Connection, name: str) -> tuple[float, float]:
    row = connection.execute("select relpages, reltuples from pg_class where relname = %s", (name,)).fetchone()
    assert row is not None
    return float(row[0]), float(row[1])


def _server_cost(connection: Connection, query: str, settings: dict[str, str]) -> float:
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL | settings)
        return float(explain(connection, query).plan.total_cost or 0.0)


@pytest.mark.parametrize("price", ["1.1", "4"])
@pytest.mark.parametrize("walks", ["w.id = 5", "w.id < 9"])
@pytest.mark.parametrize("own", ["", " and t.night < 300"])
def test_executions_that_read_a_whole_index_tell_its_size(huts: Connection, price: str, walks: str, own: str) -> None:
    """An equality on an index's second column bounds nothing: entries and pages follow from the cost. From 18 on it may
    be skipped through, and nothing is said."""
    query = f"select w.id from walks w join tours t on t.hiker = w.hiker{own} where {walks}"
    planned = Planned(
        huts, query, INDEX_ONLY | only("nested_loop") | {"enable_memoize": "off", "random_page_cost": price}
    )
    sizes, (pages, tuples) = planned.loop.sizes, _size(huts, "tours_night")

    assert planned.facts.inner.parameterised
    if planned.settings.server_major >= 18:
        assert not sizes
        return
    visited = tuples * 300 / 700 if own else tuples
    assert min(s.visited for s in sizes) <= visited * 1.01
    assert max(s.visited for s in sizes) >= visited * 0.99
    assert max(s.visited for s in sizes) <= 5.0 * min(s.visited for s in sizes)
    assert min(s.index_pages for s in sizes) <= pages <= max(s.index_pages for s in sizes)


def test_a_leading_column_is_not_taken_for_another(huts: Connection) -> None:
    """Where the index leads to the rows an execution costs too little to have read it whole."""
    query = "select w.id from walks w join beds b on b.hiker = w.hiker where w.id < 9"
    planned = Planned(huts, query, INDEX_ONLY | only("nested_loop") | {"enable_memoize": "off"})

    assert planned.loop.sizes
    assert not any(size.visited for size in planned.loop.sizes)


@pytest.mark.parametrize("price", ["1.1", "4"])
def test_an_index_read_whole_tells_its_pages(huts: Connection, price: str) -> None:
    """The cost of an index-only scan without a condition gives the pages exactly."""
    query = "select w.id, b.night from beds b join walks w on w.hiker = b.hiker"
    planned = Planned(huts, query, INDEX_ONLY | only("hash") | {"random_page_cost": price})
    index = whole_index(planned.settings, planned.reckoned, planned.facts.outer.scan)

    assert index is not None
    assert (index.pages, index.tuples) == _size(huts, "beds_hiker")


@pytest.mark.parametrize(("table", "first"), [("beds", True), ("tours", False)])
def test_the_probing_side_lists_an_indexs_columns_in_their_order(huts: Connection, table: str, first: bool) -> None:
    """use_physical_tlist: the query asks for the hiker first in both, the index says which column it has first."""
    query = f"select w.id, b.hiker, b.night from {table} b join walks w on w.hiker = b.hiker"
    planned = Planned(huts, query, INDEX_ONLY | only("hash"))
    scan = planned.reckoned.tree.nodes[planned.facts.outer.scan or 0]

    assert scan.node_type == "Index Only Scan"
    assert leads(planned.reckoned, planned.facts, planned.facts.outer) is first


def test_columns_of_what_goes_to_batches_come_in_the_querys_order(huts: Connection) -> None:
    """A hash join in batches asks for the columns needed, in the query's order: they prove nothing."""
    query = "select w.id, b.hiker, b.night from tours b join walks w on w.hiker = b.hiker"
    planned = Planned(huts, query, INDEX_ONLY | only("hash") | {"work_mem": "64kB"})
    scan = planned.reckoned.tree.nodes[planned.facts.outer.scan or 0]

    assert scan.output is not None
    assert scan.output[0] == "b.hiker"
    assert not leads(planned.reckoned, planned.facts, planned.facts.outer)


@pytest.mark.parametrize("kinds", [200, 400])
def test_a_proven_index_is_priced_for_a_nested_loop(huts: Connection, kinds: int) -> None:
    """The executed hash join's probing side could have been searched by its index instead: its pages are known, and how
    many rows share a key by the join's own estimate, as far as all keys have a match."""
    query = f"select w.id, b.night from beds b join walks w on w.hiker = b.hiker where w.kind < {kinds}"
    planned = Planned(huts, query, CHEAP_INDEX)
    ways = planned.join.costs["nested_loop"].ways
    figure = min(way.at_estimate for way in ways if way.sides_turned and way.at_estimate is not None)
    server = _server_cost(huts, query, CHEAP_INDEX | only("nested_loop"))

    assert planned.facts.method == "hash"
    assert leads(planned.reckoned, planned.facts, planned.facts.outer)
    assert abs(figure - server) <= 0.25 * server


def test_a_merge_joins_unsorted_input_is_led_by_the_merged_column(huts: Connection) -> None:
    """No Sort: the index brings the order, so it can be searched by that column."""
    query = "select w.id from beds b join walks w on w.hiker = b.hiker"
    planned = Planned(huts, query, INDEX_ONLY | only("merge"))
    sides = (planned.facts.outer, planned.facts.inner)
    beds = next(s for s in sides if alias_of(planned.reckoned.tree.nodes[s.node]) == "b")

    assert not beds.sorted_here
    assert leads(planned.reckoned, planned.facts, beds)


def test_a_unique_index_seen_by_its_own_scan_alone(huts: Connection) -> None:
    """Inner Unique over an index-only scan: what the index would have cost to search, to a hundredth."""
    query = "select g.hiker from guides g where exists (select from lodges l where l.id = g.hiker)"
    without = CHEAP_INDEX | {"enable_mergejoin": "off"}
    planned = Planned(huts, query, without)
    ways = planned.join.costs["nested_loop"].ways
    figure = min(way.at_estimate for way in ways if not way.sides_turned and way.at_estimate is not None)
    server = _server_cost(huts, query, without | only("nested_loop"))

    assert planned.facts.method == "hash"
    assert planned.facts.inner_unique
    assert abs(figure - server) <= 0.01 * server


def test_what_the_plan_made_unique_proves_no_index(huts: Connection) -> None:
    """A semijoin over an inner side without duplicates says Inner Unique too: there is no index, and none is priced."""
    query = "select w.id from walks w where w.kind < 400 and exists (select from guides g where g.hiker = w.hiker)"
    without = {"enable_memoize": "off", "enable_mergejoin": "off", "work_mem": "16MB"}
    planned = Planned(huts, query, without)
    join = planned.join
    server = _server_cost(huts, query, without | only("nested_loop"))
    ways = [way.at_estimate for way in join.costs["nested_loop"].ways if way.at_estimate is not None]

    assert planned.facts.inner_unique
    assert planned.reckoned.tree.nodes[planned.facts.inner.node].node_type == "Aggregate"
    assert ways
    assert min(ways) >= 0.75 * server


@pytest.mark.parametrize("kinds", [30, 100, 400])
def test_a_loop_that_stops_at_the_first_match_tells_the_size_closely(huts: Connection, kinds: int) -> None:
    """The join's own total gives one execution's cost more exactly than its two printed decimals, and with it the
    descent, which holds the tuples to a power of two."""
    no_member = "not exists (select from hikers h where h.member = w.hiker)"
    query = f"select w.id from walks w where w.kind < {kinds} and {no_member}"
    planned = Planned(huts, query, INDEX_ONLY | only("nested_loop"))
    known, (_, tuples) = planned.loop, _size(huts, "hikers")

    assert planned.facts.kind == "Anti"
    assert known.sizes
    assert min(s.tuples for s in known.sizes) <= tuples * 1.01
    assert max(s.tuples for s in known.sizes) >= tuples * 0.99
    assert max(s.tuples for s in known.sizes) <= 2.0 * min(s.tuples for s in known.sizes)


def test_a_condition_of_the_join_is_no_filter_of_the_relation(huts: Connection) -> None:
    """What the inner scan checks against the outer row does not make the relation smaller where it is scanned by
    itself."""
    query = "select * from walks w join hikers h on h.id = w.hiker and h.hut = w.kind where w.kind < 100"
    without = {"enable_bitmapscan": "off", "enable_memoize": "off", "work_mem": "16MB"}
    planned = Planned(huts, query, without | only("nested_loop"))

    assert [c.place for c in planned.facts.clauses].count("scan_filter") == 1
    assert planned.loop.own_quals == 0
    assert planned.loop.kept == 1.0


@pytest.mark.parametrize("kinds", [2, 3, 5, 8, 12])
def test_the_choice_leaves_the_size_that_it_was_made_at(huts: Connection, kinds: int) -> None:
    """Sizes at which a hash join over either side would have been cheaper are left out, not the one that there is.

    The sizes kept are those at which a hash join takes over first and last; the pages that go with them follow from how
    many rows fit on one, which a plan tells to a quarter.
    """
    query = f"select w.id, b.label from walks w join beds b on b.hiker = w.hiker where w.kind < {kinds}"
    planned = Planned(huts, query, CHEAP_INDEX)
    sizes, (pages, tuples) = planned.loop.sizes, _size(huts, "beds")

    assert planned.facts.method == "nested_loop"
    assert planned.facts.inner.parameterised
    assert min(s.tuples for s in sizes) <= tuples * 1.01
    assert max(s.tuples for s in sizes) >= tuples * 0.99
    assert min(s.pages for s in sizes) <= pages * 1.25
    assert max(s.pages for s in sizes) >= pages * 0.8


PARALLEL = {
    "max_parallel_workers_per_gather": "2",
    "min_parallel_table_scan_size": "0",
    "parallel_setup_cost": "0",
    "parallel_tuple_cost": "0",
}
FLIPPING = {
    "by a plain index": ("b.label", "beds b on b.hiker = w.hiker", CHEAP_INDEX),
    "by a plain index, by several processes": ("b.label", "beds b on b.hiker = w.hiker", CHEAP_INDEX | PARALLEL),
    "by a unique index, with a filter": ("l.id", "lodges l on l.id = w.id and l.label > 'l'", CHEAP_INDEX),
    "wide rows, of which little is asked for": ("l.id", "lodges l on l.id = w.id and l.tableoid > 0", CHEAP_INDEX),
}


@pytest.mark.parametrize("case", FLIPPING)
@pytest.mark.parametrize("kinds", [2, 4])
def test_the_server_flips_between_the_rows_that_the_evidence_leaves(huts: Connection, case: str, kinds: int) -> None:
    """The first row count at which the server itself takes another method than the nested loop is in the interval."""
    column, inner, settings = FLIPPING[case]
    query = f"select w.id, {column} from walks w join {inner} where w.kind < {{}}"
    settings = {"enable_memoize": "off", "enable_bitmapscan": "off", "enable_mergejoin": "off", **settings}

    def taken(below: int) -> tuple[str, float]:
        with huts.transaction(force_rollback=True):
            apply(huts, SERIAL | settings | {"max_parallel_workers_per_gather": "0"})
            rows = [n.plan_rows for n in lay_out(explain(huts, query.format(below)).plan).nodes if alias_of(n) == "w"]
            apply(huts, settings)
            plan = lay_out(explain(huts, query.format(below)).plan)
        return plan.nodes[plan.joins()[0]].node_type, float(rows[0] or 0.0)

    low, high = kinds, 500
    assert (taken(low)[0], taken(high)[0]) == ("Nested Loop", "Hash Join")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if taken(middle)[0] == "Nested Loop" else (low, middle)

    planned = Planned(huts, query.format(kinds), settings)
    points = planned.join.switch_points
    assert bool(planned.facts.workers) == ("parallel_setup_cost" in settings)
    borders = [p for p in points if (p.from_, p.to, p.inner_at) == ("nested_loop", "hash", "estimate")]
    assert any((p.low or 0.0) <= taken(high)[1] and taken(low)[1] <= (p.high or 0.0) for p in borders), points


@pytest.mark.parametrize("kinds", [20, 60])
@pytest.mark.parametrize("no", ["", "not "])
def test_a_scan_cut_short_by_its_first_match_misleads_no_size(huts: Connection, kinds: int, no: str) -> None:
    """A semijoin's scans end early: that few rows came of a key is not taken for few rows of a key."""
    rows = "exists (select from beds b where b.hiker = w.hiker and b.label <> 'x')"
    query = f"select w.id from walks w where w.kind < {kinds} and {no}{rows}"
    settings = INDEX_ONLY | only("nested_loop") | {"enable_sort": "off", "enable_hashagg": "off"}
    planned = Planned(huts, query, settings)
    sizes, (_, tuples) = planned.loop.sizes, _size(huts, "beds")

    assert planned.facts.kind in ("Semi", "Anti")
    assert planned.reckoned.tree.nodes[planned.facts.inner.scan or 0].node_type == "Index Scan"
    assert min(s.tuples for s in sizes) <= tuples * 1.01
    assert max(s.tuples for s in sizes) >= tuples * 0.99


def _crossed(connection: Connection) -> Planned:
    """A third of the rows expected of a condition on an expression, one in a hundred came: a nested loop over the
    unique index would have been cheaper than the hash join."""
    query = "select w.id from walks w where w.kind + 0 < 5 and exists (select from lodges l where l.id = w.id)"
    return Planned(connection, query, CHEAP_INDEX)


def test_a_proven_index_decides(huts: Connection) -> None:
    """No catalog: that the index is there the plan proves, and the server itself says what it would have cost."""
    planned = _crossed(huts)
    join = planned.join
    right = "select w.id from walks w where w.kind < 5 and exists (select from lodges l where l.id = w.id)"
    with huts.transaction(force_rollback=True):
        apply(huts, SERIAL | CHEAP_INDEX)
        plan = explain(huts, right).plan

    assert (planned.facts.method, plan.node_type) == ("hash", "Nested Loop")
    assert join.verdict == "crossed"
    assert join.best_at_actual == "nested_loop"


def test_a_model_that_misses_the_printed_cost_decides_nothing(huts: Connection) -> None:
    """Worlds may differ in what they make of the executed join: where even the nearest misses its printed cost by more
    than the methods differ, no crossing is claimed."""
    planned = _crossed(huts)
    loss = planned.join.loss_factor
    assert loss is not None
    assert planned.captured.explain is not None
    document = planned.captured.explain
    plan = document.plan.model_copy(update={"total_cost": float(document.plan.total_cost or 0.0) * loss * 1.1})
    other = planned.captured.model_copy(update={"explain": document.model_copy(update={"plan": plan})})

    assert judge(other)[0].verdict == "undecided"


def test_keys_of_a_join_grow_with_its_rows(huts: Connection) -> None:
    """What the outer side is when it is a join tells its distinct keys: with more rows there are more."""
    query = (
        "select w.id, b.label from walks w join lodges l on l.id = w.id join beds b on b.hiker = w.hiker"
        " where w.kind = 5 and w.id % 500 = 5"
    )
    settings = CHEAP_INDEX | {"join_collapse_limit": "1", "enable_nestloop": "off", "enable_mergejoin": "off"}
    planned = Planned(huts, query, settings)
    relations = RelationEvidence(planned.settings, planned.reckoned)
    worlds = plan_worlds(JoinAtHand(planned.settings, planned.reckoned, planned.facts), relations)
    side = planned.facts.outer if planned.facts.outer.scan is None else planned.facts.inner
    keys = [(c.outer if side is planned.facts.outer else c.inner) for w in worlds for c in w.clauses]

    assert side.scan is None
    assert keys
    assert all((k.distinct(100.0) or 0.0) >= 50.0 * (k.distinct() or 1.0) for k in keys)
