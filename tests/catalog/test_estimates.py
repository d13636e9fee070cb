"""The planner's own figures, solved back, against the rows and costs that EXPLAIN prints for real joins."""

from __future__ import annotations

import pytest

from rowreckon.catalog.facts import Catalog, JoinClauseFacts
from rowreckon.cost import CostSettings, MergeJoinTerms, PathCost, cost_mergejoin, scan_fractions
from rowreckon.cost.selectivity import MergeScanSelectivity
from rowreckon.plan.tree import PlanTree

from .conftest import Session

FILTERS = [
    ("booking b", "b.nights = 4"),
    ("booking b", "b.nights < 9 and b.hut_id > 5000"),
    ("booking b", "b.nights is null"),
    ("booking b", "b.hut_id in (3, 5, 7, 11) and b.guest like 'guest 1%'"),
    ("booking b", "b.made > '2025-01-01 00:00+00' and (b.nights = 3 or b.id < 100)"),
    ("weather w", "w.hut_id = 1"),
    ("weather w", "lower(w.station) = 'station 9'"),
    ("hut h", "h.id = 77"),
    ("hut h", "h.altitude between 1200 and 1300.5 and h.name <> 'hut 5'"),
]


def rint(x: float) -> float:
    return max(1.0, float(round(x)))


@pytest.mark.parametrize(("table", "condition"), FILTERS)
def test_restrictions(huts: Session, table: str, condition: str) -> None:
    """rows = rint(selectivity x tuples), and the filter's cost per row is what the seq scan charges above CT x N."""
    name, alias = table.split()
    query = f"select {alias}.* from {table} where {condition}"
    catalog = huts.facts(query)
    estimate = catalog.estimate(alias)
    assert estimate is not None
    assert estimate.tuples is not None
    assert estimate.selectivity is not None
    assert estimate.qual_cost is not None
    huts.connection.execute("set enable_indexscan = off; set enable_bitmapscan = off; set enable_indexonlyscan = off")
    plan = huts.plan(query).nodes[0]
    assert plan.plan_rows == estimate.rows == rint(estimate.selectivity * estimate.tuples)
    assert plan.plan_width == estimate.width
    relation = catalog.relation(name, "public")
    assert relation is not None
    assert relation.pages is not None
    run = (0.01 + estimate.qual_cost * 0.0025) * estimate.tuples + relation.pages
    assert plan.total_cost == pytest.approx(run + (estimate.qual_startup_cost or 0.0) * 0.0025, abs=0.011)
    asked = estimate.path("seq_scan")
    assert asked is not None
    assert (asked.startup_cost, asked.total_cost) == (plan.startup_cost, plan.total_cost)
    conjuncts = 1.0
    for conjunct in estimate.restrictions:
        conjuncts *= conjunct.selectivity
    if "between" not in condition:  # a range pair is estimated as a pair
        assert conjuncts == pytest.approx(estimate.selectivity, rel=1e-9)


@pytest.mark.parametrize("verbose", [True, False])
def test_scan_paths_are_those_of_switched_off_methods(huts: Session, verbose: bool) -> None:
    """Each path costs what EXPLAIN prints with only that method on; 13 to 17 add no penalty to it."""
    query = "select b.id, b.nights from booking b where b.nights < 3 and b.id < 9000"
    estimate = huts.facts(query, verbose=verbose).estimate("b")
    assert estimate is not None
    for asked, on in {
        "index_scan": ("indexscan",),
        "index_only_scan": ("indexscan", "indexonlyscan"),
        "bitmap_scan": ("bitmapscan",),
        "seq_scan": ("seqscan",),
    }.items():
        for method in ("seqscan", "indexscan", "indexonlyscan", "bitmapscan"):
            huts.connection.execute(f"set enable_{method} = {'on' if method in on else 'off'}".encode())
        node = huts.plan(query).nodes[0]
        path = estimate.path(asked)  # type: ignore[arg-type]
        assert path is not None
        assert (path.node_type, path.startup_cost, path.total_cost) == (
            node.node_type,
            node.startup_cost,
            node.total_cost,
        )


def test_conditions_that_cannot_be_asked_are_named(huts: Session) -> None:
    """Subplans and parameters belong to their query; what else stands there is still asked."""
    query = "select * from hut h where h.region = 3 and h.id > (select avg(reading) from weather)"
    estimate = huts.facts(query).estimate("h")
    assert estimate is not None
    assert len(estimate.left_out) == 1
    assert [c.condition for c in estimate.restrictions] == ["h.region = 3"]
    assert estimate.rows == 200


CLAUSES = [
    ("hut h", "booking b", "h.id = b.hut_id"),
    ("weather w", "booking b", "w.hut_id = b.hut_id"),
    ("weather w", "booking b", "w.reading = b.nights"),
    ("weather w", "hut h", "w.day = h.opened"),
    ("supply s", "booking b", "s.code = b.code"),
    ("supply s", "hut h", "s.mass = h.altitude"),
    ("weather w", "hut h", "w.station = h.name"),
]


def clause_of(catalog: Catalog, first: str) -> tuple[JoinClauseFacts, bool]:
    """The only clause, and whether its left side is `first`."""
    (clause,) = catalog.join_clauses
    return clause, clause.left.alias == first


@pytest.mark.parametrize(("left", "right", "condition"), CLAUSES)
def test_join_selectivities(huts: Session, left: str, right: str, condition: str) -> None:
    """rows = rint(left x right x selectivity) for the inner join, rint(left x semi selectivity) for EXISTS."""
    catalog = huts.facts(f"select * from {left}, {right} where {condition}")
    clause, straight = clause_of(catalog, left.split()[1])
    tuples = [e.tuples for e in (catalog.estimate(x.split()[1]) for x in (left, right)) if e is not None]
    assert None not in tuples
    outer, inner = tuples
    assert outer is not None
    assert inner is not None
    assert clause.selectivity is not None
    printed = huts.plan(f"select from {left}, {right} where {condition}").nodes[0].plan_rows
    assert printed == rint(outer * inner * clause.selectivity)
    semi = clause.semi_selectivity if straight else clause.semi_selectivity_turned
    assert semi is not None
    query = f"select from {left} where exists (select from {right} where {condition})"
    assert huts.plan(query).nodes[0].plan_rows == rint(outer * semi)
    (pair,) = catalog.join_pairs
    assert printed == rint(pair.rows)
    assert (clause.can_hash, clause.can_merge) == (True, True)


def test_a_foreign_key_enters_the_pair_not_the_clause(huts: Session) -> None:
    """With a key the join's rows follow the key; the clause's own selectivity, which the costs use, stays."""
    huts.run("""
      create table region(a int, b int, primary key (a, b));
      insert into region select i, i % 10 from generate_series(1, 1000) i;
      create table trail(a int, b int);
      insert into trail select i % 1000 + 1, (i % 1000 + 1) % 10 from generate_series(1, 5000) i;
      analyze region; analyze trail;
    """)
    query = "select * from trail t join region r on t.a = r.a and t.b = r.b"
    before = huts.facts(query)
    huts.run("alter table trail add foreign key (a, b) references region(a, b)")
    after = huts.facts(query)
    for old, new in zip(before.join_clauses, after.join_clauses, strict=True):
        assert new.selectivity == pytest.approx(old.selectivity, rel=1e-8)
    assert rint(before.join_pairs[0].rows) == 500  # 1/1000 x 1/10, as if independent
    assert rint(after.join_pairs[0].rows) == 5000  # one referenced row each
    assert huts.plan(query).nodes[0].plan_rows == 5000


@pytest.mark.parametrize(("left", "right", "condition"), CLAUSES)
@pytest.mark.parametrize("join_type", ["Inner", "Left"])
def test_scan_fractions_reproduce_merge_costs(
    huts: Session, left: str, right: str, condition: str, join_type: str
) -> None:
    """A merge join of two sorted seq scans costs to the cent what its fractions and selectivity make of it."""
    first, second = (x.split()[1] for x in (left, right))
    sides = [c.strip() for c in condition.split("=")]
    how = "left join" if join_type == "Left" else "join"
    query = f"select {sides[0]} as x, {sides[1]} as y from {left} {how} {right} on {condition}"
    for method in ("hashjoin", "nestloop", "indexscan", "indexonlyscan", "bitmapscan"):
        huts.connection.execute(f"set enable_{method} = off".encode())
    huts.connection.execute("set work_mem = '64MB'")
    tree = huts.plan(query)
    node = tree.nodes[0]
    assert node.node_type == "Merge Join"
    catalog = huts.facts(query)
    clause, straight = clause_of(catalog, first)
    outer_alias = alias_below(tree, tree.outer(0))
    settings = CostSettings.from_pg_settings(
        huts.connection.execute("select name, setting, unit from pg_settings").fetchall()
    )
    fractions = clause.ascending
    assert fractions is not None
    assert clause.selectivity is not None
    scan = MergeScanSelectivity(fractions.left_start, fractions.left_end, fractions.right_start, fractions.right_end)
    if (outer_alias == first) != straight:
        scan = MergeScanSelectivity(*scan[2:], *scan[:2])
    inner_alias = second if outer_alias == first else first
    printed_type = getattr(node, "join_type", None)
    assert isinstance(printed_type, str)
    terms = MergeJoinTerms(
        clause.selectivity,
        scan=scan_fractions(scan, printed_type),
        sort_outer=True,
        sort_inner=True,
        skip_mark_restore=bool(getattr(node, "inner_unique", False)),
    )
    assert node.plan_rows is not None
    cost = cost_mergejoin(
        settings, seq_scan(catalog, outer_alias), seq_scan(catalog, inner_alias), node.plan_rows, 0, terms
    )
    assert (node.startup_cost, node.total_cost) == (
        pytest.approx(cost.startup_cost, abs=0.02),
        pytest.approx(cost.total_cost, abs=0.02),
    )


def alias_below(tree: PlanTree, number: int | None) -> str:
    """The alias of the one scan below a node."""
    assert number is not None
    (alias,) = {a for n in tree.subtree(number) if (a := getattr(tree.nodes[n], "alias", None)) is not None}
    return str(alias)


def seq_scan(catalog: Catalog, alias: str) -> PathCost:
    """The captured seq scan as a path."""
    estimate = catalog.estimate(alias)
    assert estimate is not None
    path = estimate.path("seq_scan")
    assert path is not None
    costs = (path.startup_cost, path.total_cost)
    return PathCost(*costs, estimate.rows, int(estimate.width), *costs, kind="Seq Scan")


def test_ends_come_from_the_index_as_it_is_now(huts: Session) -> None:
    """Rows added beyond the histogram move the ends where an index leads with the column, as in the planner."""
    huts.run("""
      create table a(k int); create table b(k int); create index b_k on b(k);
      insert into a select generate_series(1, 1000); insert into b select generate_series(1, 1000);
      analyze a; analyze b;
    """)
    ends = []
    for _ in range(2):
        (clause,) = huts.facts("select * from a join b on a.k = b.k").join_clauses
        assert clause.ascending is not None
        ends.append(clause.ascending.right_end if clause.right.alias == "b" else clause.ascending.left_end)
        huts.run("insert into b select generate_series(1001, 3000)")
    # the last of 100 bins now reaches from 990 to 3000, and the part of it up to 1000 is 10/2010
    assert ends == [1.0, pytest.approx(0.99 + 0.01 * 10 / 2010, abs=1e-4)]


def test_methods_that_a_type_forbids(huts: Session) -> None:
    """money merges but does not hash, xid hashes but does not merge (pg_operator, and what the planner does)."""
    huts.run("create table purse(m money, x xid); create table till(m money, x xid)")
    money = huts.facts("select * from purse p join till t on p.m = t.m").join_clauses[0]
    xid = huts.facts("select * from purse p join till t on p.x = t.x").join_clauses[0]
    assert (money.can_hash, money.can_merge) == (False, True)
    assert (xid.can_hash, xid.can_merge) == (True, False)


def test_distinct_counts_are_the_planners(huts: Session) -> None:
    """n_distinct of a side is what GROUP BY on the whole table is estimated to give."""
    for left, right, condition in CLAUSES:
        clause, _ = clause_of(huts.facts(f"select * from {left}, {right} where {condition}"), left.split()[1])
        for side in (clause.left, clause.right):
            table = next(t for t in (left, right) if t.split()[1] == side.alias)
            groups = huts.plan(f"select {side.expression} from {table} group by 1").nodes[0].plan_rows
            assert side.n_distinct == pytest.approx(groups, abs=1)
