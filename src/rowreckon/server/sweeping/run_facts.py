"""What a query is run on and under, and how an earlier capture's differs from it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import psycopg

from rowreckon.capture import Capture, RunFacts
from rowreckon.errors import StatementFailed
from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.server.connecting.neutral import neutral_rows
from rowreckon.server.connecting.permission import Limits
from rowreckon.server.lists.querylist import QueryItem

_PLACE = (
    "select d.oid::bigint, session_user::text,"
    " pg_catalog.has_function_privilege('pg_catalog.pg_control_system()', 'execute')"
    " from pg_catalog.pg_database d where d.datname = pg_catalog.current_database()"
)
_IDENTITY = "select system_identifier::text from pg_catalog.pg_control_system()"


@dataclass(frozen=True, slots=True)
class Here:
    """A server, a database of it, and the role that connected."""

    server: str
    database: int
    login: str


def read_here(connection: Connection) -> Here:
    """Where a connection leads. Raises StatementFailed.

    A server is known by the identifier that initdb gave its data and by its address: a physical copy of it has the same
    identifier.
    """
    info = connection.info
    try:
        row = neutral_rows(connection, _PLACE)[0]
        found = neutral_rows(connection, _IDENTITY)[0] if row[2] else None
    except psycopg.Error as error:
        raise StatementFailed(f"the server did not answer: {first_line(error)}", sqlstate=error.sqlstate) from None
    server = (found[0] if found is not None else "", info.hostaddr or info.host or "", str(info.port))
    return Here(_digest(*server), int(row[0]), str(row[1]))


def run_facts(here: Here, item: QueryItem, limits: Limits) -> RunFacts:
    """What is kept of a run of this item."""
    statements = (*item.settings, "", *(text for pair in item.prepared for text in pair), "", item.text)
    return RunFacts(
        server=here.server,
        database=here.database,
        login=here.login,
        statements=_digest(*statements),
        limits_ms={"statement": limits.statement_ms, "lock": limits.lock_ms, "idle": limits.idle_ms},
    )


def stamped(capture: Capture, facts: RunFacts) -> Capture:
    """The capture with what it was run on and under, where it has a session at all."""
    if capture.session is None:
        return capture
    return capture.model_copy(update={"session": capture.session.model_copy(update={"run": facts})})


def why_another(capture: Capture, facts: RunFacts) -> str | None:
    """Why an earlier capture is none of such a run; None where it is one."""
    kept = capture.session.run if capture.session is not None else None
    if kept is None:
        return "it does not say where and under what it was made"
    differing = [
        said
        for said, same in (
            ("another server", kept.server == facts.server),
            ("another database", kept.server != facts.server or kept.database == facts.database),
            ("another role", kept.login == facts.login),
            ("other settings, role or values", kept.statements == facts.statements),
            ("other time limits", kept.limits_ms == facts.limits_ms),
        )
        if not same
    ]
    return f"it was made with {', '.join(differing)}" if differing else None


def _digest(*texts: str) -> str:
    whole = "\0".join(text.replace("\0", " ") for text in texts)
    return hashlib.sha256(whole.encode("utf-8", "surrogatepass")).hexdigest()[:16]
