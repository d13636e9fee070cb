"""A fresh database for a test module, on whatever server the fixtures hand out."""

from __future__ import annotations

import contextlib
import uuid
from collections.abc import Iterator

import psycopg
from psycopg import sql
from psycopg.conninfo import make_conninfo


@contextlib.contextmanager
def fresh_database(dsn: str, *, prefix: str = "rr_test") -> Iterator[str]:
    """Create an empty database, yield a DSN for it, drop it afterwards even if sessions are still on it."""
    name = f"{prefix}_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(dsn, autocommit=True) as admin:
        admin.execute(sql.SQL("create database {} template template0").format(sql.Identifier(name)))
    try:
        yield make_conninfo(dsn, dbname=name)
    finally:
        with psycopg.connect(dsn, autocommit=True) as admin:
            # Up to 12 DROP DATABASE has no FORCE.
            admin.execute("select pg_terminate_backend(pid) from pg_stat_activity where datname = %s", (name,))
            admin.execute(sql.SQL("drop database if exists {}").format(sql.Identifier(name)))


def run_script(dsn: str, script: str) -> None:
    """Run a script of several statements in one go (no parameters; one implicit transaction, as psql -c does)."""
    with psycopg.connect(dsn, autocommit=True) as connection:
        connection.execute(script.encode())
