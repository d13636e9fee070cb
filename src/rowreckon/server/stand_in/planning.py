"""Asking a stand-in for plans: EXPLAIN without ANALYZE, alone or of a prepared statement; nothing else is asked."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

import psycopg
from psycopg import sql

from rowreckon.errors import StatementFailed, StatementRefused
from rowreckon.server.connecting.connection import Connection, connected, first_line
from rowreckon.stand_in.bodies import STUB_CALLED
from rowreckon.stand_in.permitted import STATEMENT, NotPermitted, as_text, check_parts
from rowreckon.stand_in.rights import role_there

from .answered import plan_document
from .prepared import STATEMENTS, Prepared

if TYPE_CHECKING:
    from postgast.pg_query_pb2 import ParseResult

    Explain = Callable[[str | ParseResult], dict[str, Any]]

_KINDS: Final = ("select_stmt", "insert_stmt", "update_stmt", "delete_stmt", "merge_stmt")
_GENERIC_FROM: Final = 16
"""The first release with EXPLAIN (GENERIC_PLAN), for statements with parameters."""


class Planner:
    """What may be asked of a stand-in: EXPLAIN without ANALYZE of one statement, under settings for planning."""

    def __init__(self, connection: Connection, major: int, role: str | None = None) -> None:
        """`role` is one of the source, under which to plan; without it everything is seen, as by a superuser."""
        self._connection = connection
        self._major = major
        self._role = role

    @property
    def role(self) -> str | None:
        """The role of the source under which it plans; None where it sees everything."""
        return self._role

    @property
    def sees_everything(self) -> bool:
        """Whether it plans as for a superuser."""
        return self._role is None

    def for_role(self, role: str | None) -> Planner:
        """The same planner under a role of the source."""
        return Planner(self._connection, self._major, role)

    def plan(self, query: str, settings: Mapping[str, str]) -> dict[str, Any]:
        """The plan of a query, as the one document of FORMAT JSON.

        Raises StatementRefused for anything but one SELECT, INSERT, UPDATE, DELETE or MERGE of permitted parts, and
        StatementFailed where the server can't plan it.
        """
        with self.under(settings) as explain:
            return explain(query)

    @contextlib.contextmanager
    def under(self, settings: Mapping[str, str]) -> Iterator[Explain]:
        """Planning many queries under the same settings, which are set once: what is yielded does as `plan` does, of a
        text or of its tree."""
        try:
            with self._connection.transaction(force_rollback=True):
                self._connection.execute("set transaction read only")
                for name, value in settings.items():
                    self._set(name, value)
                if self._role is not None:
                    named = (role_there(self._role) or self._role,)
                    self._connection.execute("select pg_catalog.set_config('role', %s, true)", named)
                self._connection.execute("savepoint asked")
                yield self._explained
        except psycopg.Error as error:
            raise StatementFailed(
                f"the stand-in can't be asked: {first_line(error)}", sqlstate=error.sqlstate
            ) from None

    @contextlib.contextmanager
    def prepared(self, query: str, settings: Mapping[str, str]) -> Iterator[Prepared]:
        """The query as prepared statements, for as long as the block lasts. Raises StatementRefused, StatementFailed.

        Nothing is executed: EXPLAIN EXECUTE plans, or takes the plan at hand, as an execution with these values would.
        """
        text, _ = explainable(query)
        names = [sql.Identifier(name) for name in STATEMENTS]
        with self.under(settings):
            try:
                for name in names:
                    self._connection.execute(sql.SQL("PREPARE {} AS {}").format(name, sql.SQL(text)), binary=True)
                self._connection.execute("savepoint asked")
                yield Prepared(self._connection, settings.get("plan_cache_mode", "auto"))
            except psycopg.Error as error:
                raise StatementFailed(
                    f"the stand-in can't prepare the query: {first_line(error)}", sqlstate=error.sqlstate
                ) from None
            finally:
                # a prepared statement outlives its transaction, and a failed transaction takes no statement
                self._connection.execute("rollback to savepoint asked")
                for name in names:
                    with contextlib.suppress(psycopg.Error), self._connection.transaction():
                        self._connection.execute(sql.SQL("DEALLOCATE {}").format(name))

    def _explained(self, query: str | ParseResult) -> dict[str, Any]:
        text, parameters = explainable(query)
        if parameters and self._major < _GENERIC_FROM:
            raise StatementRefused(
                f"a statement with parameters can be planned from PostgreSQL {_GENERIC_FROM} on",
                hint="write values in their places",
            )
        options = "FORMAT JSON, ANALYZE FALSE, SETTINGS" + (", GENERIC_PLAN" if parameters else "")
        statement = sql.SQL("EXPLAIN ({}) {}").format(sql.SQL(options), sql.SQL(text))
        try:
            # the extended protocol takes one statement only, but would have the parameters bound; the text was printed
            # from the tree of one statement in either case
            return plan_document(self._connection.execute(statement, binary=not parameters))
        except psycopg.Error as error:
            self._connection.execute("rollback to savepoint asked")
            raise StatementFailed(_why_unplanned(error), sqlstate=error.sqlstate) from None

    def _set(self, name: str, value: str) -> None:
        """A setting for the transaction; one that this release does not have, or not so, is passed over."""
        with contextlib.suppress(psycopg.Error), self._connection.transaction():
            self._connection.execute("select pg_catalog.set_config(%s, %s, true)", (name, value))


def _why_unplanned(error: psycopg.Error) -> str:
    if error.diag.message_primary != STUB_CALLED:
        return f"the stand-in can't plan the query: {first_line(error)}"
    called = (error.diag.context or "").partition(" line ")[0].removeprefix("PL/pgSQL function ")
    return f"not comparable: the planner runs {' '.join(called.split())[:200]}, and a stand-in has no function's body"


def explainable(query: str | ParseResult) -> tuple[str, bool]:
    """The query, a text or its tree, printed anew once it is checked, and whether it has parameters.

    Raises StatementRefused.
    """
    from rowreckon.sql.grammar import NotSql, parse
    from rowreckon.sql.tree import every_message, kind_of

    try:
        tree = parse(query) if isinstance(query, str) else query
        kind = tree.stmts[0].stmt.WhichOneof("node") if len(tree.stmts) == 1 else None
        if kind not in _KINDS:
            raise NotPermitted("is no single SELECT, INSERT, UPDATE, DELETE or MERGE")
        check_parts(tree, STATEMENT)
        parameters = any(kind_of(message) == "ParamRef" for message in every_message(tree))
        return as_text(tree), parameters
    except (NotPermitted, NotSql) as error:
        raise StatementRefused(
            f"the query is not planned on a stand-in: it {error.reason}", hint="give it as one plain statement"
        ) from None


@contextlib.contextmanager
def planner(dsn: str, major: int, schemas: tuple[str, ...]) -> Iterator[Planner]:
    """A planner for as long as the block lasts; `schemas` are the search path. Raises CannotConnect."""
    with connected(dsn) as connection:
        connection.execute("select pg_catalog.set_config('search_path', %s, false)", (path_of(schemas),))
        yield Planner(connection, major)


def path_of(schemas: tuple[str, ...]) -> str:
    """These schemas as a search path."""
    return ", ".join('"' + s.replace('"', '""') + '"' for s in schemas if s not in ("pg_catalog", ""))
