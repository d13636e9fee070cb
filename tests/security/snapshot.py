"""Everything that an attack could have changed, as one comparable value: before and after must be equal."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import psycopg
from psycopg import sql

from .house import House

# What VACUUM, ANALYZE, CREATE INDEX and the age of transactions write; `trial --in-place` says that it leaves sizes.
BY_THE_WAY = [
    "relpages",
    "reltuples",
    "relallvisible",
    "relallfrozen",
    "relfrozenxid",
    "relminmxid",
    "datfrozenxid",
    "datminmxid",
]

State = dict[str, Any]


def snapshot(house: House) -> State:
    """Rows, sequences, catalogs, sessions, locks, files, large objects and settings of the house."""
    with psycopg.connect(house.superuser, autocommit=True, application_name="judge") as judge:
        marks = house.marks()
        yard = sorted((path.name, path.stat().st_size) for path in house.yard.iterdir())
        judge.execute("set row_security = off")
        state = {
            "marks": marks,
            "yard": yard,
            "catalogs": catalogs(judge),
            "rows": rows(judge),
            "sequences": judge.execute("select * from public.tickets").fetchall(),
            "large objects": judge.execute("select loid, pageno, data from pg_largeobject order by 1, 2").fetchall(),
            "sessions": judge.execute(
                "select pid, usename, datname, application_name from pg_stat_activity"
                " where backend_type = 'client backend' and pid <> pg_backend_pid() and application_name <> 'loop'"
                " and application_name <> 'postgres_fdw' order by 1"
            ).fetchall(),
            "locks": judge.execute(
                "select locktype, pid, relation, objid, mode from pg_locks where pid <> pg_backend_pid()"
                " and locktype <> 'virtualxid' order by 1, 2, 3, 4, 5"
            ).fetchall(),
            "files": files(judge),
            "settings": judge.execute(
                "select name, setting from pg_settings where source in ('configuration file', 'database', 'user',"
                " 'database user', 'global') or name like 'transaction_read%' order by 1"
            ).fetchall(),
        }
    # the judge's own reading plans on tables with snares in their definitions
    house.set_marks(marks)
    return state


def catalogs(judge: psycopg.Connection[Any]) -> dict[str, str]:
    """A digest of the rows of every system catalog, but for the columns that housekeeping writes."""
    names = [
        name
        for (name,) in judge.execute(
            "select relname from pg_class where relnamespace = 'pg_catalog'::regnamespace and relkind = 'r'"
            " and relname <> 'pg_largeobject' order by 1"
        )
    ]
    parts = [
        sql.SQL(
            "select {}, md5(coalesce(string_agg(line, chr(10) order by line collate \"C\"), '')) from"
            " (select (to_jsonb(t) - %(left_out)s::text[])::text as line from pg_catalog.{} t) lines"
        ).format(sql.Literal(name), sql.Identifier(name))
        for name in names
    ]
    return dict(judge.execute(sql.SQL(" union all ").join(parts), {"left_out": BY_THE_WAY}).fetchall())


def rows(judge: psycopg.Connection[Any]) -> dict[str, str]:
    """A digest of the rows of every table that somebody made."""
    names = judge.execute(
        "select relnamespace::regnamespace::text, relname from pg_class where relkind in ('r', 'm')"
        " and relnamespace in ('public'::regnamespace, 'snare'::regnamespace, 'shadow'::regnamespace) order by 1, 2"
    ).fetchall()
    found: dict[str, str] = {}
    for schema, name in names:
        row = judge.execute(
            sql.SQL("select md5(coalesce(string_agg(t::text, chr(10) order by t::text), '')) from {} t").format(
                sql.Identifier(schema, name)
            )
        ).fetchone()
        assert row is not None
        found[f"{schema}.{name}"] = row[0]
    return found


def files(judge: psycopg.Connection[Any]) -> dict[str, Any]:
    """The server's own folder, its databases, and the text of the settings file that ALTER SYSTEM writes."""
    found: dict[str, Any] = {}
    for folder in (".", "base", "pg_tblspc", "pg_replslot", "pg_twophase"):
        listed = judge.execute("select pg_ls_dir(%s) order by 1", (folder,)).fetchall()
        found[folder] = [name for (name,) in listed if name != "postmaster.opts"]
    text = judge.execute("select pg_read_file('postgresql.auto.conf')").fetchone()
    assert text is not None
    found["postgresql.auto.conf"] = hashlib.sha256(text[0].encode()).hexdigest()
    return found


def differences(before: State, after: State) -> list[str]:
    """One line for everything that differs; empty where nothing does."""
    found: list[str] = []
    for key, value in before.items():
        if value == after[key]:
            continue
        if isinstance(value, dict):
            names = value.keys() | after[key].keys()
            found += [f"{key}: {name}" for name in names if value.get(name) != after[key].get(name)]
        elif isinstance(value, list):
            come = [item for item in after[key] if item not in value]
            gone = [item for item in value if item not in after[key]]
            found.append(f"{key}: came {come[:40] or after[key][len(value) :][:40]}, gone {gone[:40]}")
    return sorted(found)


def holds(path: Path, words: tuple[str, ...]) -> list[str]:
    """The files below a folder in which one of these words stands."""
    found: list[str] = []
    for file in sorted(path.rglob("*")):
        if file.is_file() and any(word.encode() in file.read_bytes() for word in words):
            found.append(str(file))
    return found
