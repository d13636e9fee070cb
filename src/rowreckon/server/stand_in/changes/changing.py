"""A stand-in with a change in force for as long as a `with` block lasts; it is rolled back afterwards.

An index is built on the table's few rows, and then gets the size that it would have.  While it is built, the table's
file has the length of its rows, so that an empty terabyte is not read.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import psycopg
from psycopg import sql

from rowreckon.errors import CannotStart, StatementFailed, StatementRefused
from rowreckon.remedies.change import Change
from rowreckon.server.connecting.connection import Connection, connected, first_line
from rowreckon.server.stand_in.filling import DATABASE, MAKER, READER
from rowreckon.server.stand_in.planning import Planner, path_of
from rowreckon.server.stand_in.standing import StandIn
from rowreckon.server.trials.permitted import permitted
from rowreckon.sql.grammar import parse, printed

from .new_indexes import NewIndex, new_indexes
from .tables import Table, rows_of, shortened, tables_of


@dataclass(frozen=True, slots=True)
class Changed:
    """`planner` plans with the change in force; `index_kb` is the size that its new indexes would have."""

    planner: Planner
    index_kb: float | None
    connection: Connection
    """The superuser's, with the change's transaction open."""


@contextlib.contextmanager
def changed(there: StandIn, statements: Sequence[str]) -> Iterator[Changed]:
    """Put these statements into force on a stand-in, yield a planner that sees them, roll all of it back.

    Raises StatementRefused for statements of another kind, StatementFailed where the stand-in can't be given one.
    """
    # a connection of its own: none before it has seen the tables' files at their full length
    with connected(there.place.dsn("postgres", DATABASE)) as connection:
        try:
            connection.execute("select pg_catalog.set_config('search_path', %s, false)", (path_of(there.schemas),))
            changes, reason = permitted(connection, statements, built_in_only=False)
            if reason is not None:
                raise StatementRefused(f"the change is not made on the stand-in: {reason}", hint="try it on a copy")
            with connection.transaction(force_rollback=True):
                made = _apply(connection, there, changes)
                connection.execute(sql.SQL("set local role {}").format(sql.Identifier(READER)))
                yield Changed(Planner(connection, there.place.major), _kb(made), connection)
        except psycopg.Error as error:
            raise StatementFailed(
                f"the stand-in can't be given the change: {first_line(error)}", sqlstate=error.sqlstate
            ) from None
        except OSError as error:
            raise CannotStart(
                f"the stand-in's files could not be given their sizes: {error.strerror or error}",
                hint="check the space in the cache folder",
            ) from None


def _kb(made: Sequence[NewIndex]) -> float | None:
    return sum(index.kb for index in made) if made else None


def _apply(connection: Connection, there: StandIn, changes: Sequence[Change]) -> list[NewIndex]:
    indexed = [change for change in changes if change.kind == "index"]
    tables = tables_of(connection, there.place.data, [change.tables[0] for change in indexed])
    rows = {table.oid: table.rows for table in tables}
    # the server writes a table's size beside CREATE INDEX past any rollback, into the version that it finds
    _write_sizes(connection, tables)
    with shortened(tables):
        for change in changes:
            _one(connection, change)
    _write_sizes(connection, tables)
    for change in indexed:
        rows |= rows_of(there, change, tables)
    return new_indexes(connection, there.place, tables, rows)


def _write_sizes(connection: Connection, tables: Sequence[Table]) -> None:
    """What the catalog says of the tables' sizes, as it was."""
    for table in tables:
        connection.execute(
            "update pg_catalog.pg_class set relpages = %s, reltuples = %s, relallvisible = %s where oid = %s::oid",
            (table.relpages, table.reltuples, table.relallvisible, table.oid),
        )


def _one(connection: Connection, change: Change) -> None:
    if change.kind == "column_option":
        _set_distinct(connection, change)
    elif change.kind == "foreign_key":
        # it holds nothing but names, and its owner there need not have the right to refer to the other table
        connection.execute(_text(change).encode(), binary=True)
    elif change.kind not in ("analyze", "validate_constraint"):
        with _as_maker(connection):
            connection.execute(_text(change).encode(), binary=True)


@contextlib.contextmanager
def _as_maker(connection: Connection) -> Iterator[None]:
    """What a change says is done by the tables' owner, who is no superuser."""
    connection.execute(sql.SQL("set local role {}").format(sql.Identifier(MAKER)))
    yield
    connection.execute("reset role")


def _text(change: Change) -> str:
    """The statement as it can run in a transaction, without looking at rows that are not there."""
    tree = parse(change.text)
    statement = tree.stmts[0].stmt
    if change.kind == "index":
        statement.index_stmt.concurrent = False
    elif change.kind == "drop_index":
        statement.drop_stmt.concurrent = False
    elif change.kind == "foreign_key":
        # the planner asks whether there is one, not whether somebody has looked (get_relation_foreign_keys)
        constraint = getattr(statement.alter_table_stmt.cmds[0].alter_table_cmd, "def").constraint
        constraint.skip_validation, constraint.initially_valid = True, False
    return printed(tree)


_INHERITED: Final = {"n_distinct": False, "n_distinct_inherited": True}


def _set_distinct(connection: Connection, change: Change) -> None:
    """The number of distinct values as the next ANALYZE would write it. Raises StatementFailed where it is reset."""
    command = parse(change.text).stmts[0].stmt.alter_table_stmt.cmds[0].alter_table_cmd
    for item in getattr(command, "def").list.items:
        option = item.def_elem
        value = _number(option)
        if value is None:
            raise StatementFailed("the number of distinct values that ANALYZE will find is not known")
        done = connection.execute(
            "update pg_catalog.pg_statistic s set stadistinct = %s from pg_catalog.pg_attribute a"
            " where a.attrelid = pg_catalog.to_regclass(%s) and a.attname = %s and s.starelid = a.attrelid"
            " and s.staattnum = a.attnum and s.stainherit = %s",
            (value, change.tables[0], change.columns[0], _INHERITED[option.defname]),
        )
        if not done.rowcount:
            raise StatementFailed(f"column {change.columns[0]} has no statistics yet: the change needs data")


def _number(option: object) -> float | None:
    """The number that an option is set to; None where it is reset."""
    argument = getattr(option, "arg", None)
    kind = argument.WhichOneof("node") if argument is not None else None
    if argument is None or kind not in ("integer", "float"):
        return None
    return float(argument.integer.ival if kind == "integer" else argument.float.fval)
