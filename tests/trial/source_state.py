"""Everything of a database that a trial must leave as it was, read from the server itself."""

from __future__ import annotations

from typing import Any

import psycopg

_CATALOGS = """
select c.relname from pg_class c where c.relnamespace = 'pg_catalog'::regnamespace and c.relkind = 'r' order by 1
"""
_TABLES = (
    "select oid::regclass::text from pg_class where oid >= 16384 and relkind in ('r', 'm', 't', 'i', 'S') order by 1"
)
_COUNTERS = """
select s.relid::regclass::text, s.n_tup_ins, s.n_tup_upd, s.n_tup_del, s.n_live_tup, s.n_dead_tup,
  s.n_mod_since_analyze, s.last_vacuum, s.last_analyze, s.last_autovacuum, s.last_autoanalyze, s.vacuum_count,
  s.analyze_count, s.autovacuum_count, s.autoanalyze_count
from pg_stat_user_tables s order by 1
"""


def state_of(connection: psycopg.Connection[Any], *, shared: bool = True) -> dict[str, Any]:
    """By what it is: a digest of every catalog, each table's rows and sizes, and the counters that autovacuum reads.

    `shared` False leaves out the catalogs of the whole server, in which a copy is seen as long as it is there.
    """
    ask = connection.execute
    found: dict[str, Any] = {}
    of_all = {str(r[0]) for r in ask("select relname from pg_class where relisshared and relkind = 'r'").fetchall()}
    for (name,) in ask(_CATALOGS).fetchall():
        if name in of_all and not shared:
            continue
        row = ask(
            f"select md5(coalesce(string_agg(t::text, ',' order by t::text), '')) from pg_catalog.{name} t".encode()
        )
        found[f"catalog {name}"] = row.fetchone()
    for (name,) in ask(_TABLES).fetchall():
        found[f"size {name}"] = ask("select pg_relation_size(to_regclass(%s))", (name,)).fetchone()
    for (name,) in ask(
        "select oid::regclass::text from pg_class where oid >= 16384 and relkind in ('r', 'm')"
    ).fetchall():
        row = ask(f"select count(*), md5(string_agg(t::text, ',' order by t::text)) from {name} t".encode())
        found[f"rows {name}"] = row.fetchone()
    for row in ask(_COUNTERS).fetchall():
        found[f"counters {row[0]}"] = tuple(row[1:])
    return found


def differences(before: dict[str, Any], after: dict[str, Any]) -> set[str]:
    """What is not the same."""
    return {key for key in before.keys() | after.keys() if before.get(key) != after.get(key)}
