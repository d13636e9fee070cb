"""The collations of a source on its stand-in: as they are there, or else one that the planner takes for a like one.

What stands in for a missing one sorts by bytes, but is not "C": under "C" alone the planner reads LIKE by an index.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import psycopg
from psycopg import sql

from rowreckon.server.connecting.connection import Connection
from rowreckon.stand_in.facts import SourceCollation, StandInFacts

BYTEWISE: Final = ("C.UTF-8", "C.utf8")
"""Locales of the C library that sort by bytes and are not "C"; systems spell the one or the other."""
_PROVIDERS: Final = {"c": "libc", "i": "icu", "b": "builtin"}


def make_collations(admin: Connection, facts: StandInFacts) -> Iterator[str]:
    """Make those that are not there, once their schemas are; gives what is otherwise than at the source."""
    if not facts.collations:
        return
    # one that an operating system brought stands in pg_catalog, where none is made else
    admin.execute("select pg_catalog.set_config('allow_system_table_mods', 'on', false)")
    for each in facts.collations:
        if not _is_there(admin, each) and not _run(admin, _create(each, _own_options(each))):
            like = (_create(each, {"provider": "libc", "locale": locale}) for locale in BYTEWISE)
            any(_run(admin, statement) for statement in (*like, _copy_of_c(each)))
            yield f"the collation {each.name} is not here: its texts sort by bytes"
    admin.execute("select pg_catalog.set_config('allow_system_table_mods', 'off', false)")


def _is_there(admin: Connection, source: SourceCollation) -> bool:
    found = admin.execute(
        "select from pg_catalog.pg_collation c join pg_catalog.pg_namespace n on n.oid = c.collnamespace"
        " where n.nspname = %s and c.collname = %s",
        (source.schema_, source.name),
    ).fetchone()
    return found is not None


def _own_options(source: SourceCollation) -> dict[str, str]:
    """As CREATE COLLATION takes them; before 15 an ICU locale stands in the place of the C library's."""
    options = {"provider": _PROVIDERS[source.provider]}
    if source.provider == "c":
        return options | {"lc_collate": source.collate or "C", "lc_ctype": source.ctype or "C"}
    options["locale"] = source.locale or source.collate or ""
    return options if source.deterministic else options | {"deterministic": "false"}


def _create(source: SourceCollation, options: dict[str, str]) -> sql.Composed:
    listed = sql.SQL(", ").join(
        sql.SQL("{} = {}").format(sql.Identifier(name), sql.Literal(value)) for name, value in options.items()
    )
    return sql.SQL("create collation {} ({})").format(_named(source), listed)


def _copy_of_c(source: SourceCollation) -> sql.Composed:
    return sql.SQL("create collation {} from {}").format(_named(source), sql.Identifier("pg_catalog", "C"))


def _named(source: SourceCollation) -> sql.Identifier:
    return sql.Identifier(source.schema_, source.name)


def _run(admin: Connection, statement: sql.Composed) -> bool:
    try:
        admin.execute(statement)
    except psycopg.Error:
        return False
    return True
