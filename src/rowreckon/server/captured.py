"""What came of running an item, as a capture: the form in which everything downstream takes it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rowreckon.capture import Capture, SessionFacts
from rowreckon.catalog.facts import Catalog
from rowreckon.errors import RowreckonError
from rowreckon.plan.document import ExplainDocument, parse_document
from rowreckon.plan.tree import lay_out

from .connection import Connection
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
    """All runs as captures, each with the catalog facts of its plan, read at once.

    Where the facts cannot be read the captures come without them, and each says why.
    """
    captures = [capture_of_run(run) for run in runs]
    planned = [number for number, capture in enumerate(captures) if capture.explain is not None]
    trees = [lay_out(explain.plan) for n in planned if (explain := captures[n].explain) is not None]
    try:
        catalogs = read_catalogs(connection, trees)
    except RowreckonError as error:
        note = f"without catalog facts: {error.sentence()}"
        return [capture.model_copy(update={"notes": (*capture.notes, note)}) for capture in captures]
    for number, catalog in zip(planned, catalogs, strict=True):
        captures[number] = captures[number].model_copy(update={"catalog": catalog})
    return captures


def _explain(run: QueryRun) -> tuple[ExplainDocument | None, str | None]:
    document: Any = run.document if run.document is not None else run.planned
    if document is None:
        return None, None
    try:
        return parse_document(document[0] if isinstance(document, list) else document), None
    except RowreckonError as error:
        return None, f"the server's plan could not be read: {error.sentence()}"
