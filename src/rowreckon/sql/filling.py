"""A temporary table that is filled before a query reads it: of CREATE TEMPORARY TABLE … AS the plainest shape alone."""

from __future__ import annotations

from typing import Any

from rowreckon.frozen import frozen


@frozen
class Filling:
    """`table` is the temporary table's name, as the tree has it; `query` gives the rows that it keeps, as SQL."""

    table: str
    query: str


def read_filling(statement: str) -> Filling | None:
    """What a statement fills: a temporary table without a schema or options, from a query that writes and locks
    nothing. None for any other statement, and for a text that is none."""
    from rowreckon.sql.grammar import NotSql, parse, printed

    try:
        tree = parse(statement)
        if len(tree.stmts) != 1 or tree.stmts[0].stmt.WhichOneof("node") != "create_table_as_stmt":
            return None
        made = tree.stmts[0].stmt.create_table_as_stmt
        table = made.into.rel.relname
        if made.query.WhichOneof("node") != "select_stmt" or not _is_plain(made, table):
            return None
        query = parse("SELECT 1")
        query.stmts[0].stmt.CopyFrom(made.query)
        filling = Filling(table, printed(query))
        return filling if only_reads(filling) else None
    except NotSql:
        return None


def only_reads(filling: Filling) -> bool:
    """Whether what fills the table is one query that writes and locks nothing, and waits for no value."""
    from rowreckon.sql.grammar import NotSql, parse
    from rowreckon.sql.tree import every_message, kind_of

    try:
        tree = parse(filling.query)
    except NotSql:
        return False
    if len(tree.stmts) != 1 or tree.stmts[0].stmt.WhichOneof("node") != "select_stmt":
        return False
    return not any(kind_of(message) in _NO_ROWS_ALONE for message in every_message(tree))


def filling_statement(filling: Filling) -> str:
    """The statement that fills the table, printed from its tree; the table ends with its transaction.

    Only for what `only_reads`. Raises NotSql.
    """
    from rowreckon.sql.grammar import parse, printed

    tree = parse("CREATE TEMPORARY TABLE t ON COMMIT DROP AS SELECT 1")
    made = tree.stmts[0].stmt.create_table_as_stmt
    made.into.rel.relname = filling.table
    made.query.CopyFrom(parse(filling.query).stmts[0].stmt)
    return printed(tree)


def counting_statement(filling: Filling) -> str:
    """The ANALYZE of the table, printed from its tree. Raises NotSql."""
    from rowreckon.sql.grammar import parse, printed

    tree = parse("ANALYZE pg_temp.t")
    tree.stmts[0].stmt.vacuum_stmt.rels[0].vacuum_relation.relation.relname = filling.table
    return printed(tree)


_NO_ROWS_ALONE = frozenset(
    {"IntoClause", "LockingClause", "ParamRef", "InsertStmt", "UpdateStmt", "DeleteStmt", "MergeStmt"}
)
"""What writes, locks, or waits for a value."""


def _is_plain(made: Any, table: str) -> bool:
    """Whether it says nothing but the table's name; how long the table lasts does not matter where all is undone."""
    from rowreckon.sql.grammar import parse

    plain = parse("CREATE TEMPORARY TABLE t AS SELECT 1").stmts[0].stmt.create_table_as_stmt
    shape = type(made)()
    shape.CopyFrom(made)
    shape.into.on_commit = plain.into.on_commit
    plain.into.rel.relname = table
    plain.into.rel.location = shape.into.rel.location
    shape.query.Clear()
    plain.query.Clear()
    return bool(shape == plain)
