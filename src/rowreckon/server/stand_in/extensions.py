"""PostgreSQL's own extensions on a stand-in: types, operator classes and functions that a source's objects use.

Only those that PostgreSQL itself ships and that reach nothing outside of the database; and, where foreign tables need
them, two wrappers whose servers lead nowhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import psycopg
from psycopg import sql

from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.stand_in.beyond.foreign import carried
from rowreckon.stand_in.definitions import Definition
from rowreckon.stand_in.facts import CARRIED_EXTENSIONS, StandInFacts

from .filling import MAKER, run_definitions


def make_extensions(admin: Connection, facts: StandInFacts) -> dict[str, str]:
    """Make them once their schemas are there and before anything else; gives those that could not be made, and why."""
    wanted = CARRIED_EXTENSIONS | {each.wrapper for each in facts.foreign}
    failed: dict[str, str] = {}
    for name in sorted(wanted & set(facts.server.extensions)):
        schema = facts.server.extension_schemas.get(name, "public")
        statement = sql.SQL("create extension {} with schema {}").format(sql.Identifier(name), sql.Identifier(schema))
        try:
            admin.execute(statement)
        except psycopg.Error as error:
            failed[name] = f"the extension {name} is not here: {first_line(error)}"
    return failed


def make_foreign_servers(admin: Connection, facts: StandInFacts) -> Iterator[str]:
    """Servers of the sources' names that lead nowhere, for foreign tables to name; gives what could not be made."""
    servers = {(each.server, each.wrapper): each for each in facts.foreign}
    for (name, wrapper), source in servers.items():
        options = carried(source.server_options)
        told = sql.SQL(", ").join(
            sql.SQL("{} {}").format(sql.Identifier(key), sql.Literal(value)) for key, value in options.items()
        )
        named = sql.Identifier(name)
        making = sql.SQL("create server {} foreign data wrapper {}").format(named, sql.Identifier(wrapper))
        if options:
            making += sql.SQL(" options ({})").format(told)
        try:
            admin.execute(making)
            admin.execute(sql.SQL("grant usage on foreign server {} to {}").format(named, sql.Identifier(MAKER)))
        except psycopg.Error as error:
            yield f"the foreign server {name} could not be made: {first_line(error)}"


def own_files(admin: Connection, facts: StandInFacts, made: Sequence[Definition]) -> list[str]:
    """Make the tables that read files, and give them to the maker; gives what failed."""
    tables = [each for each in made if each.step == "file"]
    failed = run_definitions(admin, tables)
    names = {each.oid: (each.schema_, each.name) for each in facts.relations}
    for each in tables:
        owned = sql.SQL("alter foreign table if exists {} owner to {}")
        admin.execute(owned.format(sql.Identifier(*names[each.oid]), sql.Identifier(MAKER)))
    return failed
