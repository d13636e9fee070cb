"""Generated joins of two tables: every method that a server will use is reckoned again and compared to the cent.

The cases come from a seed (ROWRECKON_SEED, default 7), so that another seed gives other tables and queries;
ROWRECKON_CASES says how many.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterator

import pytest

from .facts import CENT, Facts
from .recost import JoinQuery

SEED = int(os.environ.get("ROWRECKON_SEED", "7"))
TABLES = 6
CASES = int(os.environ.get("ROWRECKON_CASES", "40"))
METHODS = ("nestloop", "hashjoin", "mergejoin")


def build(facts: Facts, rng: random.Random) -> list[str]:
    """Tables of two keys each, with and without duplicates, frequent values, order and indexes."""
    names = []
    for number in range(TABLES):
        name = f"hut{number}"
        rows = rng.choice([200, 1000, 5000, 12000, 25000])
        span = rng.choice([rows, rows // 3 + 1, 50, 2000])
        shuffle = rng.choice(["i", f"(i::bigint*7919)%{max(rows, 1)}"])
        key = f"({shuffle})%{span}" if span < rows else shuffle
        if rng.random() < 0.3:
            key = f"case when i%4=0 then 1 else {key} end"
        null = "case when i%10=3 then null else {} end" if rng.random() < 0.2 else "{}"
        facts.connection.execute(f"drop table if exists {name}".encode())
        facts.connection.execute(f"create table {name}(id int primary key, k int, k2 int, f int, pad text)".encode())
        facts.connection.execute(
            f"insert into {name} select i, {null.format(key)}, i%7, (i*31)%1000, repeat('h',{rng.choice([4, 40, 150])})"
            f" from generate_series(1,{rows}) i".encode()
        )
        index = rng.choice(["", "k", "k", "k,f", "k2,k"])
        if index:
            facts.connection.execute(f"create index {name}_x on {name}({index})".encode())
        facts.connection.execute(f"vacuum analyze {name}".encode())
        names.append(name)
    return names


def cases(facts: Facts, rng: random.Random, names: list[str]) -> Iterator[tuple[JoinQuery, dict[str, object]]]:
    """Queries with the settings that they run under, everything but the join methods."""
    estimates: dict[str, float] = {}
    for _ in range(CASES):
        outer, inner = rng.sample(names, 2)
        size = facts.relation(outer, facts.use()).tuples
        options: dict[str, object] = {
            "work_mem": rng.choice(["64kB", "256kB", "4MB", "64MB"]),
            "random_page_cost": rng.choice([1.1, 4]),
            "effective_cache_size": rng.choice(["4GB", "1MB"]),
        }
        if rng.random() < 0.35:
            options |= {
                "max_parallel_workers_per_gather": 2,
                "parallel_setup_cost": 0,
                "parallel_tuple_cost": rng.choice([0, 0.1]),
                "min_parallel_table_scan_size": 0,
                "min_parallel_index_scan_size": 0,
            }
        query = JoinQuery(
            facts,
            facts.use(**options),
            outer,
            inner,
            rng.choice(["inner", "inner", "left", "semi", "anti"]),
            int(size * rng.choice([0.002, 0.02, 0.2, 1.0])) + 1,
            rng.choice([None, None, 500]),
            ("k",) if rng.random() < 0.8 else ("k", "k2"),
            estimates,
        )
        yield query, options


def test_generated_joins(facts: Facts) -> None:
    """Each case by each method that the server agrees to; what is not comparable is counted too."""
    rng = random.Random(SEED)
    names = build(facts, rng)
    facts = facts.remember()
    compared, left_out, wrong = 0, 0, []
    for query, options in cases(facts, rng, names):
        for method in METHODS:
            others = [m for m in METHODS if m != method]
            query.settings = facts.use(**options, **facts.off(*others))
            plan = facts.explain(query.sql())
            kind = {"nestloop": "Nested Loop", "hashjoin": "Hash Join", "mergejoin": "Merge Join"}[method]
            top = plan["Plans"][0] if plan["Node Type"] == "Gather" else plan
            if top["Node Type"] != kind or not comparable(plan):
                left_out += 1
                continue
            path = query.path(plan)
            compared += 1
            off = max(abs(path.startup_cost - plan["Startup Cost"]), abs(path.total_cost - plan["Total Cost"]))
            if off > CENT:
                wrong.append(
                    f"{query.sql()} {options} {method}: modelled {path.startup_cost:.2f}..{path.total_cost:.2f},"
                    f" printed {plan['Startup Cost']}..{plan['Total Cost']}"
                )
    assert compared >= CASES
    assert not wrong, f"{len(wrong)} of {compared} ({left_out} left out)\n" + "\n".join(wrong)


def comparable(plan: dict[str, object]) -> bool:
    """Whether the plan is made of what is reckoned here: no grouping that makes a side unique, no penalty."""
    if plan["Startup Cost"] >= 1e9:  # type: ignore[operator]
        return False
    waiting: list[dict[str, object]] = [plan]
    while waiting:
        node = waiting.pop()
        if node["Node Type"] in ("Aggregate", "Unique", "Incremental Sort", "Gather Merge", "BitmapAnd", "Result"):
            return False
        waiting += node.get("Plans", [])  # type: ignore[arg-type]
    return True


pytestmark = pytest.mark.filterwarnings("error")
