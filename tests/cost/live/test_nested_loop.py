"""Nested loops and Memoize: recomputed from the catalog, compared to the cent."""

from __future__ import annotations

import pytest

from rowreckon.cost import (
    GroupRelation,
    NestLoopTerms,
    compute_semi_anti_join_factors,
    cost_material,
    cost_memoize,
    cost_nestloop,
    estimate_num_groups,
    get_variable_numdistinct,
    operator_cost,
)
from rowreckon.cost.capabilities import has_memoize

from .common_values import eqjoinsel_inner, eqjoinsel_semi
from .facts import Facts, assert_cost, node
from .indexes import scan_of


def test_materialized_inner(facts: Facts) -> None:
    """Every pair of rows is compared."""
    settings = facts.use()
    outer = facts.seqscan(settings, "sm")
    terms = NestLoopTerms(operator_cost(settings))
    plan = facts.explain("select * from sm a, sm b where a.k < b.id")
    path = cost_nestloop(settings, outer, cost_material(settings, outer), plan["Plan Rows"], terms=terms)
    assert_cost(path, plan, "0.00..3767.25")


def test_plain_inner(facts: Facts) -> None:
    """With enable_material off the inner side is read from the table every time."""
    settings = facts.use(enable_material="off")
    outer = facts.seqscan(settings, "sm")
    terms = NestLoopTerms(operator_cost(settings))
    plan = facts.explain("select * from sm a, sm b where a.k < b.id")
    assert_cost(cost_nestloop(settings, outer, outer, plan["Plan Rows"], terms=terms), plan, "0.00..7133.00")


@pytest.mark.parametrize(
    ("condition", "filters", "worked"), [("", 0, "0.29..1681.00"), ("and fact.val<500", 1, "0.29..1674.75")]
)
def test_index_inner(facts: Facts, condition: str, filters: int, worked: str) -> None:
    """A parameterised index scan, with and without a filter behind the index."""
    settings = facts.use(**facts.off("hashjoin", "mergejoin", "bitmapscan", "memoize"))
    plan = facts.explain(f"select * from sm join fact on fact.dim_id=sm.k {condition}")
    inner = scan_of(
        facts, settings, "fact", "fact_dim", selectivity=1e-4, filters=filters,
        rows=node(plan, "Index Scan")["Plan Rows"], loop_count=500.0, tables=("sm",),
    )  # fmt: skip
    path = cost_nestloop(settings, facts.seqscan(settings, "sm"), inner, plan["Plan Rows"])
    assert_cost(inner, node(plan, "Index Scan"))
    assert_cost(path, plan, worked)


@pytest.mark.parametrize("join", ["join", "left join"])
def test_inner_unique(facts: Facts, join: str) -> None:
    """The planner takes next to no outer row to match, and so charges next to nothing for the output."""
    settings = facts.use(**facts.off("hashjoin", "mergejoin", "bitmapscan", "memoize"))
    plan = facts.explain(f"select * from sm {join} dim on dim.id=sm.k")
    assert plan["Inner Unique"]
    selectivity = eqjoinsel_inner(facts.column("sm", "k"), facts.column("dim", "id"))
    factors = compute_semi_anti_join_factors(selectivity, selectivity, 10000.0)
    assert factors == pytest.approx((1e-4, 1e4))
    inner = scan_of(
        facts, settings, "dim", "dim_pkey",
        selectivity=1e-4, unique_match=True, loop_count=500.0, tables=("sm",),
    )  # fmt: skip
    terms = NestLoopTerms(factors=factors, indexed=True)
    path = cost_nestloop(settings, facts.seqscan(settings, "sm"), inner, 500.0, terms=terms)
    assert_cost(path, plan, "0.29..499.25")


def test_inner_unique_without_index(facts: Facts) -> None:
    """A materialised inner side is read to its end for every row that is taken not to match."""
    settings = facts.use(**facts.off("hashjoin", "mergejoin", "bitmapscan", "indexscan", "memoize"))
    facts.connection.execute("drop table if exists lone")
    facts.connection.execute("create table lone(k int not null)")
    facts.connection.execute("insert into lone select i from generate_series(1,300) i")
    facts.connection.execute("create unique index lone_k on lone using btree (k)")
    facts.connection.execute("analyze lone")
    plan = facts.explain("select * from dim left join lone on lone.k=dim.id")
    selectivity = eqjoinsel_inner(facts.column("dim", "id"), facts.column("lone", "k"))
    factors = compute_semi_anti_join_factors(selectivity, selectivity, 300.0)
    inner = cost_material(settings, facts.seqscan(settings, "lone"))
    terms = NestLoopTerms(operator_cost(settings), factors)
    path = cost_nestloop(settings, facts.seqscan(settings, "dim"), inner, 10000.0, terms=terms)
    assert_cost(path, plan)


def test_semi_join(facts: Facts) -> None:
    """Half of the matches are read on average."""
    settings = facts.use(**facts.off("hashjoin", "mergejoin", "bitmapscan", "memoize"))
    plan = facts.explain("select * from sm where exists (select 1 from fact where fact.dim_id=sm.k)")
    outer_column, inner_column = facts.column("sm", "k"), facts.column("fact", "dim_id")
    factors = compute_semi_anti_join_factors(
        eqjoinsel_semi(outer_column, inner_column, 30000.0), eqjoinsel_inner(outer_column, inner_column), 30000.0
    )
    assert factors == pytest.approx((1.0, 3.0))
    inner = scan_of(
        facts, settings, "fact", "fact_dim",
        selectivity=1e-4, loop_count=500.0, tables=("sm",), index_only=True,
    )  # fmt: skip
    terms = NestLoopTerms(factors=factors, indexed=True)
    path = cost_nestloop(settings, facts.seqscan(settings, "sm"), inner, 500.0, terms=terms)
    assert_cost(path, plan, "0.29..296.38")


def test_anti_join(facts: Facts) -> None:
    """Outer rows that find a match stop early; the others are what comes out."""
    settings = facts.use(**facts.off("hashjoin", "mergejoin", "bitmapscan", "memoize"))
    plan = facts.explain("select * from dim where not exists (select 1 from sm where sm.k=dim.id)")
    outer_column, inner_column = facts.column("dim", "id"), facts.column("sm", "k")
    factors = compute_semi_anti_join_factors(
        eqjoinsel_semi(outer_column, inner_column, 500.0), eqjoinsel_inner(outer_column, inner_column), 500.0
    )
    inner = cost_material(settings, facts.seqscan(settings, "sm", "k"))
    terms = NestLoopTerms(operator_cost(settings), factors)
    path = cost_nestloop(settings, facts.seqscan(settings, "dim"), inner, 9500.0, terms=terms)
    assert plan["Plan Rows"] == 9500
    assert_cost(path, plan)


def test_loops_of_the_supplying_relation(facts: Facts) -> None:
    """After a join that multiplies rows, the inner scan is priced for the base relation's rows, not the join's."""
    settings = facts.use(join_collapse_limit=1, **facts.off("hashjoin", "mergejoin", "bitmapscan", "memoize"))
    plan = facts.explain("select * from (sm join big on big.a=sm.id) join fact on fact.dim_id=sm.k")
    inner = scan_of(facts, settings, "fact", "fact_dim", selectivity=1e-4, loop_count=500.0, tables=("sm", "big"))
    assert plan["Plans"][0]["Plan Rows"] > 500
    assert_cost(inner, node(plan, "Index Scan"))


def test_memoize_with_room(facts: Facts) -> None:
    """A thousand values among thirty thousand calls."""
    settings = facts.use(**facts.off("hashjoin", "mergejoin", "bitmapscan"))
    plan = facts.explain("select * from fact join dim on dim.id=fact.val")
    if not has_memoize(facts.major):
        assert "Memoize" not in str(plan)
        return
    column = facts.column("fact", "val")
    selectivity = eqjoinsel_inner(column, facts.column("dim", "id"))
    inner = scan_of(
        facts, settings, "dim", "dim_pkey", selectivity=1e-4, unique_match=True,
        loop_count=30000.0, tables=("fact",), width=facts.width("dim"),
    )  # fmt: skip
    assert_cost(inner, node(plan, "Index Scan"), "0.29..0.31")
    groups = estimate_num_groups([GroupRelation((get_variable_numdistinct(column)[0],), 30000.0, 30000.0)], 30000.0)
    assert groups == 1000.0
    kept = cost_memoize(settings, inner, calls=30000.0, ndistinct=groups, key_width=4)
    assert_cost(kept, node(plan, "Memoize"))
    terms = NestLoopTerms(factors=compute_semi_anti_join_factors(selectivity, selectivity, 10000.0))
    path = cost_nestloop(settings, facts.seqscan(settings, "fact"), kept, plan["Plan Rows"], terms=terms)
    assert_cost(path, plan, "0.30..1674.08")


def test_memoize_without_room(facts: Facts) -> None:
    """64 kB hold a part of the values: hit ratio and entry size differ between releases."""
    settings = facts.use(work_mem="64kB", **facts.off("hashjoin", "mergejoin", "bitmapscan"))
    plan = facts.explain("select * from fact a join fact b on b.dim_id=a.val")
    if not has_memoize(facts.major):
        assert "Memoize" not in str(plan)
        return
    inner = scan_of(
        facts, settings, "fact", "fact_dim", selectivity=1e-4,
        loop_count=30000.0, tables=("fact",), width=facts.width("fact"),
    )  # fmt: skip
    kept = cost_memoize(settings, inner, calls=30000.0, ndistinct=1000.0, key_width=4)
    path = cost_nestloop(settings, facts.seqscan(settings, "fact"), kept, plan["Plan Rows"])
    assert_cost(path, plan)
    worked = {14: 12168.10, 15: 9826.13}.get(facts.major, 9646.58)
    assert path.total_cost == pytest.approx(worked, abs=0.0101)
