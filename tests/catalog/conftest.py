"""A small network of mountain huts on every server of the matrix, and a session that reads facts from it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from rowreckon.catalog.facts import Catalog
from rowreckon.catalog.request import Trust
from rowreckon.plan import PlanTree, lay_out, parse_document
from rowreckon.plan.document import ExplainDocument
from rowreckon.server.sweeping.facts import read_catalogs
from tests.servers.databases import run_script
from tests.servers.fixtures import MatrixServer
from tests.waiting import turns

# At most 30 000 rows a table, so that ANALYZE reads every row and two runs keep the same statistics.
TABLES = """
create table hut(id int primary key, region int not null, name text, altitude numeric(6,1), opened date);
insert into hut select i, i % 50, 'hut ' || i, 1000 + i % 900, date '1950-01-01' + i
  from generate_series(1, 10000) i;
create table booking(id int, hut_id int, nights int, guest text, made timestamptz, code uuid);
insert into booking select i, (i::bigint * 7919) % 10000 + 1, case when i % 7 = 0 then null else i % 30 end,
  'guest ' || (i % 3000), timestamptz '2024-01-01 00:00Z' + i * interval '1 hour', md5(i::text)::uuid
  from generate_series(1, 30000) i;
create index booking_hut on booking(hut_id);
create index booking_nights_id on booking(nights, id);
create table weather(hut_id int, station text, reading int, day date, pad text);
insert into weather select case when i <= 9000 then 1 when i % 11 = 0 then null else i / 3 end, 'station ' || (i % 700),
  i % 40, date '1960-01-01' + i % 5000, repeat('w', 60) from generate_series(1, 20000) i;
create table supply(id int, hut_id int, mass numeric, code uuid);
insert into supply select i, i * 10, i / 3.0, md5((i * 3)::text)::uuid from generate_series(1, 500) i;
"""


@dataclass
class Session:
    """A connection with what tests do on it."""

    major: int
    dsn: str
    connection: psycopg.Connection[Any]

    def run(self, script: str) -> None:
        run_script(self.dsn, script)

    def document(self, query: str, *, verbose: bool = True) -> ExplainDocument:
        option = "verbose" if verbose else "verbose false"
        row = self.connection.execute(f"explain (format json, {option}) {query}".encode()).fetchone()
        assert row is not None
        return parse_document(row[0][0])

    def plan(self, query: str, *, verbose: bool = True) -> PlanTree:
        return lay_out(self.document(query, verbose=verbose).plan)

    def facts(self, query: str, *, verbose: bool = True, with_values: bool = False, trust: Trust = "file") -> Catalog:
        plan = self.plan(query, verbose=verbose)
        return read_catalogs(self.connection, [plan], trust=trust, with_values=with_values)[0]

    def value(self, query: str, *parameters: object) -> Any:
        row = self.connection.execute(query.encode(), parameters or None).fetchone()
        return row[0] if row else None


@pytest.fixture(scope="module")
def huts_dsn(matrix_database: MatrixServer) -> MatrixServer:
    """The filled and vacuumed database of this module."""
    run_script(matrix_database.dsn, TABLES)
    with psycopg.connect(matrix_database.dsn, autocommit=True) as connection:
        connection.execute("vacuum analyze")
        # up to 14 a collector process hands counters on after half a second or so
        for _ in turns("the counters"):
            rows = connection.execute("select min(n_live_tup) from pg_stat_user_tables").fetchone()
            if rows is not None and rows[0]:
                break
    return matrix_database


@pytest.fixture
def huts(huts_dsn: MatrixServer) -> Iterator[Session]:
    """A fresh session on it, without parallel query."""
    dsn = make_conninfo(huts_dsn.dsn, options="-c max_parallel_workers_per_gather=0 -c jit=off")
    with psycopg.connect(dsn, autocommit=True) as connection:
        yield Session(huts_dsn.major, dsn, connection)
