"""What came of running an item, as a capture: the form in which everything downstream takes it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from contextlib import AbstractContextManager
from typing import Any, Literal

import psycopg

from rowreckon.capture import WITHOUT_FACTS, Capture, SessionFacts
from rowreckon.catalog.facts import Catalog
from rowreckon.catalog.request import Trust
from rowreckon.errors import RowreckonError, StatementFailed
from rowreckon.plan.document import ExplainDocument, parse_document
from rowreckon.plan.tree import PlanTree, lay_out
from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.server.connecting.patience import limited
from rowreckon.server.connecting.permission import Limits
from rowreckon.server.connecting.plan_settings import apply_settings
from rowreckon.server.executing.execute import QueryRun
from rowreckon.server.executing.transaction import limit_statements
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.sweeping.facts import read_catalogs

# reading facts is a few statements over the catalogs; a server on which that takes longer is better left alone
_FACTS_LIMITS = Limits(statement_ms=60_000, lock_ms=2_000, idle_ms=30_000)


def capture_of_run(run: QueryRun) -> Capture:
    """One run as a capture, without facts; a query that did not end keeps the plan that was made before it ran."""
    explain, trouble = _explain(run)
    session = run.session
    return Capture(
        name=run.item.name,
        query=run.item.written or run.item.text,
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
            settings=dict(session.own_settings),
        ),
        cache=cache_state(run.document),
        outcome=run.outcome,
        sqlstate=run.sqlstate,
        line=run.item.line,
        reason=run.reason or trouble,
    )


def cache_state(document: Any) -> Literal["cold", "warm", "unknown"]:
    """Whether a run found its pages in the server's own buffers: warm if all, cold if fewer than half of them.

    The operating system's cache is out of sight: 'cold' says only that the server had to ask it.
    """
    try:
        root: Mapping[str, Any] = document[0]["Plan"]
        hit, read = float(root["Shared Hit Blocks"]), float(root["Shared Read Blocks"])
    except (TypeError, KeyError, IndexError):
        return "unknown"
    if read == 0:
        return "warm"
    return "cold" if read > hit else "unknown"


def with_facts(
    connection: Connection,
    items: Sequence[QueryItem],
    captures: Sequence[Capture],
    *,
    from_files: Collection[int] = (),
    with_values: bool = False,
) -> list[Capture]:
    """The captures, each with the catalog facts of its plan, read at once for all that share their settings.

    `from_files` are the positions of captures that were read from files; all others are of plans that this server has
    just made for the item, whose own functions and types may be planned with again, unless the item was refused.

    Facts are read as the query's own session would see them: another role or search_path sees other statistics.
    Where they cannot be read the captures come without them, and each says why. Captures that have facts keep them.
    """
    out = list(captures)
    groups: dict[tuple[tuple[str, ...], Trust], list[int]] = {}
    for number, item in enumerate(items):
        if out[number].explain is not None and out[number].catalog is None:
            trust: Trust = "file" if number in from_files or out[number].outcome == "refused" else "own_list"
            groups.setdefault((item.settings, trust), []).append(number)
    for (settings, trust), numbers in groups.items():
        trees = [lay_out(explain.plan) for n in numbers if (explain := out[n].explain) is not None]
        try:
            catalogs: Sequence[Catalog | None] = facts_under(
                connection, settings, trees, trust=trust, with_values=with_values
            )
            note: tuple[str, ...] = ()
        except RowreckonError as error:
            catalogs = [None] * len(numbers)
            note = (f"{WITHOUT_FACTS}{error.sentence()}",)
        for number, catalog in zip(numbers, catalogs, strict=True):
            known = out[number]
            out[number] = known.model_copy(update={"catalog": catalog, "notes": (*known.notes, *note)})
    return out


def facts_under(
    connection: Connection,
    settings: Sequence[str],
    trees: Sequence[PlanTree],
    *,
    trust: Trust,
    plan_settings: Mapping[str, str] | None = None,
    with_values: bool = False,
) -> tuple[Catalog, ...]:
    """The catalog of each plan as a session with these settings sees it. Raises StatementFailed.

    `plan_settings` are those that the plans themselves print.
    """
    try:
        with connection.transaction(force_rollback=True), _facts_limit(connection):
            connection.execute(b"SET TRANSACTION READ ONLY")
            for statement in settings:
                connection.execute(statement.encode(), binary=True)
            apply_settings(connection, plan_settings or {})
            connection.execute(limit_statements(_FACTS_LIMITS, watched=False).encode())
            return read_catalogs(connection, trees, trust=trust, with_values=with_values)
    except psycopg.Error as error:
        raise StatementFailed(
            f"the query's settings could not be applied: {first_line(error)}", sqlstate=error.sqlstate
        ) from None


def _facts_limit(connection: Connection) -> AbstractContextManager[None]:
    return limited(connection, _FACTS_LIMITS.statement_ms, looks=True)


def _explain(run: QueryRun) -> tuple[ExplainDocument | None, str | None]:
    document: Any = run.document if run.document is not None else run.planned
    if document is None:
        return None, None
    try:
        return parse_document(document[0] if isinstance(document, list) else document), None
    except RowreckonError as error:
        return None, f"the server's plan could not be read: {error.sentence()}"
