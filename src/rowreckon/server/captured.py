"""What came of running an item, as a capture: the form in which everything downstream takes it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import psycopg

from rowreckon.capture import Capture, SessionFacts
from rowreckon.catalog.facts import Catalog
from rowreckon.errors import RowreckonError, StatementFailed
from rowreckon.plan.document import ExplainDocument, parse_document
from rowreckon.plan.tree import PlanTree, lay_out

from .connection import Connection, first_line
from .execute import QueryRun
from .facts import read_catalogs


def capture_of_run(run: QueryRun, *, catalog: Catalog | None = None) -> Capture:
    """One run as a capture; a query that did not end keeps the plan that was made before it ran."""
    explain, trouble = _explain(run)
    session = run.session
    return Capture(
        name=run.item.name,
        query=run.item.text,
        server_version=run.server_version,
        settings=None if explain is None else explain.settings,
        explain=explain,
        session=None
        if session is None
        else SessionFacts(
            role=session.role,
            database=session.database,
            search_path=session.search_path,
            row_security=session.row_security,
        ),
        catalog=catalog,
        cache="unknown",
        outcome=run.outcome,
        sqlstate=run.sqlstate,
        line=run.item.line,
        reason=run.reason or trouble,
    )


def captures_with_facts(connection: Connection, runs: Sequence[QueryRun]) -> list[Capture]:
    """All runs as captures, each with the catalog facts of its plan, read at once for all that share their settings.

    Facts are read as the query's own session would see them: another role or search_path sees other statistics.
    Where they cannot be read the captures come without them, and each says why.
    """
    captures = [capture_of_run(run) for run in runs]
    groups: dict[tuple[str, ...], list[int]] = {}
    for number, run in enumerate(runs):
        if captures[number].explain is not None:
            groups.setdefault(run.item.settings, []).append(number)
    for settings, numbers in groups.items():
        trees = [lay_out(explain.plan) for n in numbers if (explain := captures[n].explain) is not None]
        try:
            catalogs: Sequence[Catalog | None] = _facts_under(connection, settings, trees)
            note: tuple[str, ...] = ()
        except RowreckonError as error:
            catalogs = [None] * len(numbers)
            note = (f"without catalog facts: {error.sentence()}",)
        for number, catalog in zip(numbers, catalogs, strict=True):
            known = captures[number]
            captures[number] = known.model_copy(update={"catalog": catalog, "notes": (*known.notes, *note)})
    return captures


def _facts_under(connection: Connection, settings: Sequence[str], trees: Sequence[PlanTree]) -> tuple[Catalog, ...]:
    try:
        with connection.transaction(force_rollback=True):
            for statement in settings:
                connection.execute(statement.encode())
            return read_catalogs(connection, trees)
    except psycopg.Error as error:
        raise StatementFailed(
            f"the query's settings could not be applied: {first_line(error)}", sqlstate=error.sqlstate
        ) from None


def _explain(run: QueryRun) -> tuple[ExplainDocument | None, str | None]:
    document: Any = run.document if run.document is not None else run.planned
    if document is None:
        return None, None
    try:
        return parse_document(document[0] if isinstance(document, list) else document), None
    except RowreckonError as error:
        return None, f"the server's plan could not be read: {error.sentence()}"
