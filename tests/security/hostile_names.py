"""Tables, columns and indexes whose names break out of a statement that would be put together carelessly."""

from __future__ import annotations

from collections.abc import Sequence

import psycopg
from psycopg import sql

from .house import House

DATABASE = "house\"; drop database postgres; --'$$%s\\"
"""A database's name, for what copies one."""

NAMES = (
    "t\"; insert into notes values ('named'); --",
    "t'; insert into notes values ('named'); --",
    "t$$; insert into notes values ('named'); $$",
    "t\\'; insert into notes values ('named'); --",
    "t\n\\! touch <YARD>/psql\n",
    "t%s %I $1 {} {0}",
    "select",
    "T é \u202e",
)
"""Each names a table; with another letter in front its columns, its index and what else it has."""


def furnish_names(house: House, names: Sequence[str] = NAMES) -> list[str]:
    """Make a table of each name, and give a query for each that is misestimated for its correlated columns."""
    queries = []
    with psycopg.connect(house.keeper, autocommit=True) as keeper:
        for number, name in enumerate(names):
            name = name.replace("<YARD>", str(house.yard))[:50]
            table, land, city, key = (sql.Identifier(f"{name}{part}") for part in ("", "land", "city", "id"))
            # an earlier test of the same house may have made it
            keeper.execute(sql.SQL("drop table if exists {}").format(table))
            keeper.execute(
                sql.SQL("create table {} as select id as {}, land as {}, city as {} from bookings").format(
                    table, key, land, city
                )
            )
            keeper.execute(sql.SQL("create index {} on {} ({})").format(sql.Identifier(f"i{name}"), table, key))
            keeper.execute(sql.SQL("analyze {}").format(table))
            query = sql.SQL(
                "select count(*) from {t} b join payments p on p.booking_id = b.{k}"
                " where b.{a} = 'land 3' and b.{b} = 'city 3'"
            ).format(t=table, k=key, a=land, b=city)
            queries.append(f"-- name: n{number}\n{query.as_string(keeper)};\n")
    return queries
