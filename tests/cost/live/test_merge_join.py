"""Merge joins: recomputed from the catalog, compared to the cent."""

from __future__ import annotations

import pytest

from rowreckon.cost import (
    MergeJoinTerms,
    cost_mergejoin,
    cost_sort,
    scan_fractions,
)

from .common_values import eqjoinsel_inner
from .facts import Facts, assert_cost, node
from .histogram import mergejoinscansel
from .indexes import scan_of


def joining(
    facts: Facts, outer: tuple[str, str], inner: tuple[str, str], join_type: str = "Inner", **more: bool
) -> MergeJoinTerms:
    """Terms of a merge join on one clause, outer column = inner column."""
    scan = mergejoinscansel(facts.ordered(*outer), facts.ordered(*inner))
    selectivity = eqjoinsel_inner(facts.column(*outer), facts.column(*inner))
    return MergeJoinTerms(selectivity, scan=scan_fractions(scan, join_type), **more)  # type: ignore[arg-type]


def test_two_index_scans(facts: Facts) -> None:
    """Presorted and unique: no row is read twice."""
    settings = facts.use(**facts.off("nestloop", "hashjoin", "sort"))
    plan = facts.explain("select * from fact join dim on dim.id=fact.dim_id")
    outer = scan_of(facts, settings, "fact", "fact_dim", selectivity=1.0, quals=0, tables=("dim",))
    inner = scan_of(facts, settings, "dim", "dim_pkey", selectivity=1.0, quals=0, tables=("fact",))
    terms = joining(facts, ("fact", "dim_id"), ("dim", "id"), skip_mark_restore=True)
    assert_cost(cost_mergejoin(settings, outer, inner, plan["Plan Rows"], 0, terms), plan, "0.57..2666.57")


def test_half_of_one_side_is_read(facts: Facts) -> None:
    """sm.k ends at half of dim.id, so the index scan stops there."""
    settings = facts.use(**facts.off("nestloop", "hashjoin", "bitmapscan"))
    plan = facts.explain("select * from dim join sm on dim.id=sm.k")
    join = node(plan, "Merge Join")
    names = [scan.get("Relation Name", "sm") for scan in join["Plans"]]
    dim = scan_of(
        facts, settings, "dim", "dim_pkey", selectivity=1.0, quals=0, tables=("sm",), width=facts.width("dim")
    )
    sm = facts.seqscan(settings, "sm")
    scan = mergejoinscansel(facts.ordered("dim", "id"), facts.ordered("sm", "k"))
    assert scan.outer_start == pytest.approx(0.0009, abs=1e-5)
    assert scan.outer_end == pytest.approx(0.5, abs=1e-4)
    if names[0] == "dim":
        terms = joining(facts, ("dim", "id"), ("sm", "k"), sort_inner=True)
        path = cost_mergejoin(settings, dim, sm, join["Plan Rows"], 0, terms)
        assert_cost(path, join, "31.02..214.70")
    else:
        terms = joining(facts, ("sm", "k"), ("dim", "id"), sort_outer=True, skip_mark_restore=True)
        assert_cost(cost_mergejoin(settings, sm, dim, join["Plan Rows"], 0, terms), join)


@pytest.mark.parametrize(("work_mem", "worked"), [("16MB", "1638.77..31688.77"), ("64kB", "2324.77..32399.77")])
def test_duplicates_are_read_again(facts: Facts, work_mem: str, worked: str) -> None:
    """Each group of 200 is gone through 200 times; in little memory it is kept for that."""
    settings = facts.use(work_mem=work_mem, **facts.off("nestloop", "hashjoin"))
    plan = facts.explain("select * from dim a join dim b on a.grp=b.grp")
    side = facts.seqscan(settings, "dim")
    terms = joining(facts, ("dim", "grp"), ("dim", "grp"), sort_outer=True, sort_inner=True)
    assert_cost(cost_mergejoin(settings, side, side, plan["Plan Rows"], 0, terms), plan, worked)
    assert (plan["Plans"][1]["Node Type"] == "Materialize") == (work_mem == "64kB")


def test_two_clauses(facts: Facts) -> None:
    """Both clauses are compared for every pair; 18 removes this self-join altogether."""
    settings = facts.use(
        work_mem="16MB", **facts.off("nestloop", "hashjoin", "indexscan", "bitmapscan", "indexonlyscan")
    )
    plan = facts.explain("select * from dim a join dim b on a.grp=b.grp and a.id=b.id")
    if facts.major >= 18:
        assert plan["Node Type"] == "Seq Scan"
        return
    side = facts.seqscan(settings, "dim")
    first = plan["Merge Cond"].split("=")[0]
    column = "grp" if "grp" in first else "id"
    selectivity = eqjoinsel_inner(facts.column("dim", "grp"), facts.column("dim", "grp"))
    selectivity *= eqjoinsel_inner(facts.column("dim", "id"), facts.column("dim", "id"))
    scan = mergejoinscansel(facts.ordered("dim", column), facts.ordered("dim", column))
    terms = MergeJoinTerms(
        selectivity, num_mergeclauses=2, scan=scan, sort_outer=True, sort_inner=True, skip_mark_restore=True
    )
    assert_cost(cost_mergejoin(settings, side, side, plan["Plan Rows"], 0, terms), plan, "1638.77..1790.77")


def test_left_join(facts: Facts) -> None:
    """All outer rows come out, so the outer side is read from end to end."""
    settings = facts.use(**facts.off("nestloop", "hashjoin", "bitmapscan"))
    plan = facts.explain("select fact.id, sm.* from fact left join sm on sm.k=fact.id")
    join = node(plan, "Merge Join")
    assert join["Join Type"] == "Left"
    only = join["Plans"][0]["Node Type"] == "Index Only Scan"
    outer = scan_of(facts, settings, "fact", "fact_id", selectivity=1.0, quals=0, tables=("sm",), index_only=only)
    terms = joining(facts, ("fact", "id"), ("sm", "k"), "Left", sort_inner=True)
    path = cost_mergejoin(settings, outer, facts.seqscan(settings, "sm"), join["Plan Rows"], 0, terms)
    assert_cost(path, join)


def test_left_join_over_whole_rows(facts: Facts) -> None:
    """The worked figure of the same join with all columns."""
    settings = facts.use(**facts.off("nestloop", "hashjoin", "bitmapscan"))
    plan = facts.explain("select * from fact left join sm on sm.k=fact.id")
    outer = scan_of(facts, settings, "fact", "fact_id", selectivity=1.0, quals=0, tables=("sm",))
    terms = joining(facts, ("fact", "id"), ("sm", "k"), "Left", sort_inner=True)
    path = cost_mergejoin(settings, outer, facts.seqscan(settings, "sm"), plan["Plan Rows"], 0, terms)
    assert_cost(path, plan, "30.70..1212.20")


def test_full_join_reads_both_sides(facts: Facts) -> None:
    """No fraction of either side is skipped."""
    settings = facts.use(**facts.off("nestloop", "hashjoin", "indexscan", "bitmapscan", "indexonlyscan"))
    plan = facts.explain("select * from fact full join sm on sm.k=fact.id")
    join = node(plan, "Merge Join")
    names = [node(side, "Seq Scan")["Relation Name"] for side in join["Plans"]]
    keys = {"fact": ("fact", "id"), "sm": ("sm", "k")}
    outer, inner = (facts.seqscan(settings, name) for name in names)
    terms = joining(facts, keys[names[0]], keys[names[1]], "Full", sort_outer=True, sort_inner=True)
    path = cost_mergejoin(settings, outer, inner, join["Plan Rows"], 0, terms)
    assert_cost(path, join)
    assert_cost(cost_sort(settings, outer), join["Plans"][0])
