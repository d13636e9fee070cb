"""What a remedy may create or alter, as the catalog shows it."""

from __future__ import annotations

from typing import Any

import psycopg

_QUERIES = (
    "select pg_get_statisticsobjdef(oid), stxname from pg_statistic_ext order by 1, 2",
    "select pg_get_indexdef(indexrelid) from pg_index join pg_class c on c.oid = indrelid "
    "where c.relnamespace <> 'pg_catalog'::regnamespace order by 1",
    "select conrelid::regclass::text, conname, pg_get_constraintdef(oid) from pg_constraint where contype = 'f' "
    "order by 1, 2",
    "select attrelid::regclass::text, attname, coalesce(attstattarget, -1), attoptions::text from pg_attribute "
    "where attnum > 0 and attrelid >= 16384 and not attisdropped order by 1, 2",
    "select oid::regprocedure::text, prorows from pg_proc where oid >= 16384 order by 1",
    "select oid::regclass::text, reloptions::text from pg_class where oid >= 16384 and relkind in ('r', 'p', 'm') "
    "order by 1",
    "select name, setting from pg_settings where name = 'plan_cache_mode'",
)


def objects_of(connection: psycopg.Connection[Any]) -> list[list[tuple[Any, ...]]]:
    """Statistics objects, indexes, foreign keys, column and table options, function rows: all that an undo restores.

    Toast tables and their indexes come and go with their tables and are left out by their schema.
    """
    return [
        [row for row in connection.execute(query.encode()).fetchall() if "pg_toast" not in str(row)]
        for query in _QUERIES
    ]
