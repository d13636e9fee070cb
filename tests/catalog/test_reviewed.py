"""The reviewed lists, held against the catalogs of servers of 13 to 18."""

from __future__ import annotations

import psycopg

from rowreckon.catalog.reviewed import REFUSED, STABLE, TEXT_SEARCH, TYPES, VOLATILE
from tests.servers.fixtures import MatrixServer


def test_the_lists_are_what_the_catalogs_say(matrix_database: MatrixServer) -> None:
    """Nothing listed as stable is volatile, or a user's to define; the types are PostgreSQL's own, and plain."""
    with psycopg.connect(matrix_database.dsn) as connection:
        functions = connection.execute(
            "select p.proname, p.provolatile::text, l.lanname from pg_proc p join pg_language l on l.oid = p.prolang"
            " where p.pronamespace = 'pg_catalog'::regnamespace and p.prokind = 'f' and p.proname = any(%s)",
            ([*STABLE, *TEXT_SEARCH, *REFUSED],),
        ).fetchall()
        types = connection.execute(
            "select typname, typtype::text from pg_type where typnamespace = 'pg_catalog'::regnamespace"
            " and typname = any(%s)",
            (list(TYPES),),
        ).fetchall()
        acting = connection.execute(
            # functions that take the name or number of a relation or type, or a text to run, are no plain computing
            "select distinct p.proname from pg_proc p where p.pronamespace = 'pg_catalog'::regnamespace"
            " and p.provolatile = 'i' and p.prokind = 'f' and p.oid < 16384 and not p.proretset"
            " and (p.proname ~ '^(query|cursor|table|schema|database)_to_xml'"
            "      or p.proname = 'satisfies_hash_partition')"
        ).fetchall()

    assert {name for name, volatility, _ in functions if volatility == "v"} <= set(VOLATILE)
    assert {language for _, _, language in functions} <= {"internal", "c", "sql"}
    known = {name for name, _, _ in functions}
    since_14 = {"extract", "date_add", "date_subtract", "factorial", "numeric_fac"}
    assert {*STABLE, *TEXT_SEARCH, *REFUSED} - known <= since_14 | {n for n in STABLE if n.startswith("timestamp")}
    assert {kind for _, kind in types} <= {"b", "r", "m"}
    assert {name for name, _ in types} >= {t for t in TYPES if "multirange" not in t}
    assert {name for (name,) in acting} <= set(REFUSED)
