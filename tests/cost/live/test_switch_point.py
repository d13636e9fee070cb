"""Where the live planner flips from a nested loop to a hash join, and that the model flips at the same row."""

from __future__ import annotations

import pytest

from rowreckon.cost import (
    HashJoinTerms,
    HashKey,
    NestLoopTerms,
    PathCost,
    compute_semi_anti_join_factors,
    cost_hashjoin,
    cost_nestloop,
    cost_seqscan,
    operator_cost,
    path_input,
)
from rowreckon.joins.above.add_path import replaces

from .common_values import eqjoinsel_inner
from .facts import Facts, assert_cost, node
from .indexes import scan_of


def both_methods(facts: Facts, n: int) -> tuple[PathCost, PathCost]:
    """Nested loop and hash join of `ob` filtered to `n` rows with `fact`, as the planner reckons them."""
    settings = facts.use(**facts.off("mergejoin", "memoize", "bitmapscan"))
    outer = cost_seqscan(
        settings, facts.relation("ob", settings), float(n), facts.width("ob"), qual=operator_cost(settings)
    )
    inner = scan_of(
        facts, settings, "fact", "fact_dim",
        selectivity=1e-4, loop_count=float(n), tables=("ob",), width=facts.width("fact"),
    )  # fmt: skip
    nested = cost_nestloop(settings, outer, inner, 3.0 * n)
    ob = facts.column("ob", "k", float(n))
    terms = HashJoinTerms(eqjoinsel_inner(facts.column("fact", "dim_id"), ob), (ob.hash_key(),))
    hashed = cost_hashjoin(settings, facts.seqscan(settings, "fact"), outer, 3.0 * n, 0, terms)
    return nested, hashed


def test_nested_loop_against_hash_join(facts: Facts) -> None:
    """Costs of both methods around the crossing, the row of the flip, and the 1 % that delays it."""
    flips = []
    for n in range(58, 68):
        nested, hashed = both_methods(facts, n)
        query = f"select * from ob a join fact b on b.dim_id=a.k where a.id<={n}"
        assert node(facts.explain(query), "Seq Scan")["Plan Rows"] in (n, 30000)
        facts.use(**facts.off("mergejoin", "memoize", "bitmapscan", "hashjoin"))
        assert_cost(nested, facts.explain(query))
        facts.use(**facts.off("mergejoin", "memoize", "bitmapscan", "nestloop"))
        assert_cost(hashed, facts.explain(query))
        facts.use(**facts.off("mergejoin", "memoize", "bitmapscan"))
        chosen = facts.explain(query)["Node Type"]
        assert ("Hash Join" if replaces(hashed, nested) else "Nested Loop") == chosen
        if chosen == "Hash Join":
            flips.append(n)
            assert nested.total_cost > 1.01 * hashed.total_cost
    assert flips
    assert flips[0] == 64
    crossing = both_methods(facts, 62)
    assert crossing[0].total_cost > crossing[1].total_cost


@pytest.mark.parametrize("n", [10, 30, 31, 100, 1000])
def test_minimal_join(facts: Facts, n: int) -> None:
    """generate_series against a table of 10 000 rows in key order: nested loop up to 30 rows, hash join from 31.

    Golden values on 13 to 18 with default settings: 181.38 against 183.48 at 30, 189.69 against 183.51 at 31.
    """
    facts.connection.execute("drop table if exists c")
    facts.connection.execute("create table c(id int primary key, data int)")
    facts.connection.execute("insert into c select i, i from generate_series(1,10000) i")
    facts.connection.execute("vacuum analyze c")
    settings = facts.use()
    query = f"select * from generate_series(1, {n}) g(id) join c on c.id = g.id"
    plan = facts.explain(query)
    call = operator_cost(settings).per_tuple  # paid before the first row (cost_functionscan)
    outer = path_input(settings, "Function Scan", call, call + settings.cpu_tuple_cost * n, float(n), 4)
    c = facts.column("c", "id")
    inner = scan_of(
        facts, settings, "c", "c_pkey",
        selectivity=1e-4, unique_match=True, loop_count=float(n), width=facts.width("c"),
    )  # fmt: skip
    selectivity = 1e-4
    factors = compute_semi_anti_join_factors(selectivity, selectivity, c.rel_rows)
    golden = {
        10: ("75.13", "182.83"),
        30: ("181.38", "183.48"),
        31: ("189.69", "183.51"),
        100: ("331.25", "185.75"),
        1000: ("612.50", "282.63"),
    }
    nested = cost_nestloop(settings, outer, inner, float(n), terms=NestLoopTerms(factors=factors, indexed=True))
    scan = facts.seqscan(settings, "c")
    # a function's output has no statistics: below 200 rows all are taken to differ, beyond nothing is known
    key = HashKey(float(n) if n < 200 else None, rel_rows=float(n), rel_tuples=float(n))
    build_small = cost_hashjoin(settings, scan, outer, float(n), 0, HashJoinTerms(selectivity, (key,)))
    build_unique = cost_hashjoin(
        settings, outer, scan, float(n), 0, HashJoinTerms(selectivity, (c.hash_key(),), factors=factors)
    )
    hashed = min(build_small, build_unique, key=lambda path: path.total_cost)
    chosen = hashed if replaces(hashed, nested) else nested
    assert chosen.kind == plan["Node Type"] == ("Nested Loop" if n <= 30 else "Hash Join")
    assert (f"{nested.total_cost:.2f}", f"{hashed.total_cost:.2f}") == golden[n]
    assert_cost(chosen, plan)
