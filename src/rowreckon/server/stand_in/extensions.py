"""PostgreSQL's own extensions on a stand-in: operator classes and functions that a source's indexes and queries use.

Only those that PostgreSQL itself ships, that reach nothing outside of the database, and bring no types for columns.
"""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
from psycopg import sql

from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.stand_in.facts import CARRIED_EXTENSIONS, StandInFacts


def make_extensions(admin: Connection, facts: StandInFacts) -> Iterator[str]:
    """Make them once their schemas are there and before anything else; gives those that could not be made."""
    for name in sorted(CARRIED_EXTENSIONS & set(facts.server.extensions)):
        schema = facts.server.extension_schemas.get(name, "public")
        statement = sql.SQL("create extension {} with schema {}").format(sql.Identifier(name), sql.Identifier(schema))
        try:
            admin.execute(statement)
        except psycopg.Error as error:
            yield f"the extension {name} is not here: {first_line(error)}"
