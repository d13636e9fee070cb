"""Read-only queries that answer what a plan alone can't know, to be run before a remedy."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.remedies.quoting import quote_literal, quote_table
from rowreckon.remedies.subject import FunctionName, TableName
from rowreckon.sql.keywords import quote_name


def _named(tables: Sequence[TableName]) -> str:
    names = ", ".join(quote_literal(name) for name in dict.fromkeys(t.name for t in tables))
    condition = f"c.relname IN ({names})"
    schemas = dict.fromkeys(t.schema for t in tables if t.schema is not None)
    if schemas and all(t.schema is not None for t in tables):
        condition += f" AND n.nspname IN ({', '.join(quote_literal(s) for s in schemas)})"
    return condition


def analyzed_when(tables: Sequence[TableName]) -> str:
    """Which schema, what kind of relation, when it was analyzed, how much was modified since."""
    return (
        "SELECT n.nspname, c.relname, c.relkind, c.reltuples, s.n_mod_since_analyze, s.last_analyze, "
        "s.last_autoanalyze "
        "FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace "
        "LEFT JOIN pg_catalog.pg_stat_all_tables s ON s.relid = c.oid "
        f"WHERE {_named(tables)} AND c.relkind IN ('r', 'p', 'm', 'f') ORDER BY 1, 2"
    )


def statistics_objects(tables: Sequence[TableName]) -> str:
    """Which schema, and which statistics objects exist already."""
    return (
        "SELECT n.nspname, c.relname, c.relkind, pg_catalog.pg_get_statisticsobjdef(e.oid) AS statistics "
        "FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace "
        "LEFT JOIN pg_catalog.pg_statistic_ext e ON e.stxrelid = c.oid "
        f"WHERE {_named(tables)} AND c.relkind IN ('r', 'p', 'm', 'f') ORDER BY 1, 2, 4"
    )


def column_settings(tables: Sequence[TableName], columns: Sequence[str]) -> str:
    """The columns' present statistics targets and overrides, which an undo has to restore."""
    names = ", ".join(quote_literal(c) for c in columns)
    return (
        "SELECT n.nspname, c.relname, a.attname, a.attstattarget, a.attoptions "
        "FROM pg_catalog.pg_attribute a JOIN pg_catalog.pg_class c ON c.oid = a.attrelid "
        "JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace "
        f"WHERE {_named(tables)} AND a.attname IN ({names}) ORDER BY 1, 2, 3"
    )


def indexes(tables: Sequence[TableName]) -> str:
    """Which schema, and which indexes exist already, with their use by the server's counters."""
    return (
        "SELECT n.nspname, c.relname, c.relkind, pg_catalog.pg_get_indexdef(i.indexrelid) AS index, i.indisvalid, "
        "pg_catalog.pg_stat_get_numscans(i.indexrelid) AS scans "
        "FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace "
        "LEFT JOIN pg_catalog.pg_index i ON i.indrelid = c.oid "
        f"WHERE {_named(tables)} AND c.relkind IN ('r', 'p', 'm') ORDER BY 1, 2, 4"
    )


def matches(one: TableName, column: str, other: TableName, other_column: str) -> str:
    """The rows of both tables, and how many pairs of them match on these columns; reads both tables whole."""
    here, there = quote_table(one), quote_table(other)
    return (
        f"SELECT (SELECT count(*) FROM {here}) AS rows_here, (SELECT count(*) FROM {there}) AS rows_there, "
        f"(SELECT count(*) FROM {here} a JOIN {there} b ON a.{quote_name(column)} = b.{quote_name(other_column)}) "
        "AS matches"
    )


def leakproof_operators(table: TableName, columns: Sequence[str]) -> str:
    """The operators of the columns' types, each with the function behind it and whether that is leakproof."""
    names = ", ".join(quote_literal(c) for c in columns)
    return (
        "SELECT DISTINCT a.attname, o.oid::pg_catalog.regoperator AS operator, "
        "o.oprcode::pg_catalog.regprocedure AS function, p.proleakproof "
        "FROM pg_catalog.pg_attribute a JOIN pg_catalog.pg_class c ON c.oid = a.attrelid "
        "JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace "
        "JOIN pg_catalog.pg_operator o ON o.oprleft = a.atttypid OR (a.atttypid = 1043 AND o.oprleft = 25) "
        "JOIN pg_catalog.pg_proc p ON p.oid = o.oprcode "
        f"WHERE {_named((table,))} AND a.attname IN ({names}) AND o.oprresult = 16 ORDER BY 1, 4, 2"
    )


def functions(function: FunctionName) -> str:
    """The function's signature and declared number of rows."""
    condition = f"p.proname = {quote_literal(function.name)}"
    if function.schema is not None:
        condition += f" AND n.nspname = {quote_literal(function.schema)}"
    return (
        "SELECT n.nspname, p.oid::pg_catalog.regprocedure AS function, p.prorows, p.prosupport "
        "FROM pg_catalog.pg_proc p JOIN pg_catalog.pg_namespace n ON n.oid = p.pronamespace "
        f"WHERE {condition} AND p.proretset ORDER BY 1, 2"
    )


def partition_parents(partitions: Sequence[TableName]) -> str:
    """The partitioned tables above some partitions."""
    return (
        "SELECT DISTINCT pg_catalog.pg_partition_root(c.oid) AS partitioned_table "
        "FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace "
        f"WHERE {_named(partitions)} AND c.relispartition ORDER BY 1"
    )
