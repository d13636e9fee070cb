"""A database of a few seeded faults, each in a schema of its own, with the list of their queries."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import psycopg
from psycopg import sql
from psycopg.conninfo import make_conninfo

import rowreckon
from rowreckon.server.lists.querylist import split_named
from tests.cli.running import as_superuser
from tests.faults.library import LIBRARY
from tests.faults.runner import flush_counters

# a bare ANALYZE in a setup reads all tables: what must stay stale comes last
FAULTS = ("composite_key_quoted", "lured_by_low_cardinality_index", "stale_new_status")


@dataclass(frozen=True)
class Scene:
    """Where the database is and the file with its queries."""

    dsn: str
    queries: Path

    def arguments(self, *more: str) -> list[str]:
        """The command line of a trial on it."""
        return ["trial", str(self.queries), "--dsn", self.dsn, *more]

    def connect(self) -> psycopg.Connection[tuple[object, ...]]:
        """A session on it."""
        return psycopg.connect(self.dsn, autocommit=True)


@contextlib.contextmanager
def scene(
    server: str, folder: Path, *, name: str, faults: Sequence[str] = FAULTS, encoding: str = "UTF8"
) -> Iterator[Scene]:
    """Make the database, and drop it in the end."""
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(sql.SQL("drop database if exists {} with (force)").format(sql.Identifier(name)))
        create = sql.SQL("create database {} template template0 encoding {}")
        admin.execute(create.format(sql.Identifier(name), sql.Literal(encoding)))
    dsn = make_conninfo(server, dbname=name)
    queries = folder / "list.sql"
    lines = ["set max_parallel_workers_per_gather = 0;", "set jit = off;"]
    with psycopg.connect(dsn, autocommit=True) as builder:
        for fault in (next(f for f in LIBRARY if f.name == wanted) for wanted in faults):
            assert not fault.before
            builder.execute(sql.SQL("create schema {}").format(sql.Identifier(fault.name)))
            builder.execute(sql.SQL("set search_path = {}").format(sql.Identifier(fault.name)))
            for _, statement in split_named(fault.setup):
                if statement.lower().startswith("analyze"):
                    flush_counters(builder)
                builder.execute(statement.encode())
            query = fault.query
            if fault.literal is not None:
                row = builder.execute(fault.literal.encode()).fetchone()
                assert row is not None
                query = query.replace("{literal}", str(row[0]))
            lines += [f"set search_path = {fault.name};", f"-- name: {fault.name}", f"{query};"]
        flush_counters(builder)
    queries.write_text("\n".join(lines) + "\n")
    try:
        yield Scene(dsn, queries)
    finally:
        with psycopg.connect(server, autocommit=True) as admin:
            admin.execute(sql.SQL("drop database if exists {} with (force)").format(sql.Identifier(name)))


def start(arguments: Sequence[str], *, hook: Path | None = None) -> subprocess.Popen[str]:
    """The command as a process of its own, its output in pipes; `hook` is a folder with what it runs first, see
    `hook_into`."""
    path = [str(hook), str(Path(rowreckon.__file__).parents[1])] if hook is not None else []
    more = {"PYTHONPATH": os.pathsep.join(path)} if path else {}
    return subprocess.Popen(
        [sys.executable, "-m", "rowreckon", *as_superuser(arguments)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "NO_COLOR": "1", **more},
    )


def hook_into(folder: Path, method: str, doing: str, *, after: bool) -> Path:
    """A folder for `start`: right before or after the first call of a method of Copies the command does this to itself.

    So a signal comes at a moment that the test chooses, however busy the machine is.
    """
    folder.mkdir()
    (folder / "sitecustomize.py").write_text(
        "import os, signal, time\n"
        "from rowreckon.server.trials.copies import Copies\n"
        f"whole, calls = Copies.{method}, []\n"
        "def hooked(self, *arguments):\n"
        "    calls.append(1)\n"
        f"    if len(calls) == 1 and not {after}:\n"
        f"        {doing}\n"
        "    result = whole(self, *arguments)\n"
        f"    if len(calls) == 1 and {after}:\n"
        f"        {doing}\n"
        "    return result\n"
        f"Copies.{method} = hooked\n"
    )
    return folder


def copies_on(dsn: str) -> list[str]:
    """Names of the trial copies on the server."""
    with psycopg.connect(dsn, autocommit=True) as connection:
        rows = connection.execute(
            "select datname from pg_database where datname like 'rowreckon\\_trial\\_%' order by 1"
        ).fetchall()
    return [str(row[0]) for row in rows]
