"""A stand-in's prepared statements: what the server plans for an execution, and when it turns to its generic plan.

The server decides that itself: EXPLAIN EXECUTE without ANALYZE takes a plan from its cache, or makes one, as an
execution does, and counts it.  Five custom plans come first, then the generic one if it costs less than they did on
average with their planning (PostgreSQL manual, PREPARE, "Notes"; src/backend/utils/cache/plancache.c).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import psycopg
from psycopg import sql

from rowreckon.errors import StatementFailed
from rowreckon.server.connecting.connection import Connection, first_line

from .answered import plan_document

AUTO, CUSTOM, GENERIC = STATEMENTS = ("rowreckon_auto", "rowreckon_custom", "rowreckon_generic")
"""The prepared statements of one query: as the server chooses, with custom plans alone, with the generic one alone."""


class Prepared:
    """One query, prepared: what the server plans for its next execution, and what it would if it were told how."""

    def __init__(self, connection: Connection, mode: str) -> None:
        """`mode` is the plan_cache_mode under which the server chooses."""
        self._connection = connection
        self._modes = {AUTO: mode, CUSTOM: "force_custom_plan", GENERIC: "force_generic_plan"}

    def next_plan(self, values: Sequence[str | None]) -> tuple[dict[str, Any], bool]:
        """The plan of the next execution with these values, and whether it is the generic one.

        From 14 on the server counts its generic plans; before, a plan is the generic one if it is the same.
        """
        plan = self._planned(AUTO, values)
        row = self._connection.execute(
            "select pg_catalog.to_jsonb(s)->>'generic_plans' from pg_catalog.pg_prepared_statements s"
            " where s.name = %s",
            (AUTO,),
        ).fetchone()
        if row is not None and row[0] is not None:
            return plan, int(row[0]) > 0
        return plan, plan == self.generic_plan(values)

    def custom_plan(self, values: Sequence[str | None]) -> dict[str, Any]:
        """The plan made for these values."""
        return self._planned(CUSTOM, values)

    def generic_plan(self, values: Sequence[str | None]) -> dict[str, Any]:
        """The plan made for any values; these choose among its partitions only."""
        return self._planned(GENERIC, values)

    def _planned(self, name: str, values: Sequence[str | None]) -> dict[str, Any]:
        """Raises StatementFailed, for a value that is none of its type as well."""
        arguments = sql.SQL(", ").join(map(sql.Literal, values))
        statement = sql.SQL("EXPLAIN (FORMAT JSON, ANALYZE FALSE) EXECUTE {} ({})")
        try:
            self._connection.execute("select pg_catalog.set_config('plan_cache_mode', %s, true)", (self._modes[name],))
            cursor = self._connection.execute(statement.format(sql.Identifier(name), arguments), binary=True)
            found: dict[str, Any] = plan_document(cursor)["Plan"]
            return found
        except psycopg.Error as error:
            self._connection.execute("rollback to savepoint asked")
            raise StatementFailed(
                f"the stand-in can't plan the execution: {first_line(error)}", sqlstate=error.sqlstate
            ) from None
