"""Reading catalog facts over a connection: three statements in a read-only transaction that leaves nothing behind."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

import psycopg
from pydantic import ValidationError

from rowreckon import releases
from rowreckon.catalog.answers.catalogs import catalogs_from_answer
from rowreckon.catalog.facts import Catalog
from rowreckon.catalog.program import (
    ANSWER_SETTING,
    DEMANDED,
    PATH_SETTING,
    REQUEST_SETTING,
    SAFE_PATH,
    facts_program,
)
from rowreckon.catalog.request import Trust, as_json
from rowreckon.catalog.wanted import wanted_facts
from rowreckon.errors import StatementFailed
from rowreckon.plan.tree import PlanTree
from rowreckon.server.connecting.connection import Connection, first_line

LOCK_TIMEOUT_MS = 2000
"""How long a part waits for a table that somebody holds exclusively before it is given up (ms)."""
BATCH_NODES = 250
"""Plan nodes that are asked about in one go."""
_CHECK = "check that the role may use PL/pgSQL and that the statement timeout leaves some seconds"


def read_catalogs(
    connection: Connection, plans: Sequence[PlanTree], *, trust: Trust, with_values: bool = False
) -> tuple[Catalog, ...]:
    """The catalog of each plan, read at once; nothing of the plans is executed.

    `trust` says where the plans come from: for those of a file, the server is asked to plan what PostgreSQL's own
    functions and types make up, and nothing on relations with code of their own; the rest is in `Catalog.missing`.

    Works inside an open transaction, whose settings then count (in a savepoint that is rolled back), or in one of its
    own. Sampled values come along only `with_values`. What rights, row security or locks hide is in `Catalog.missing`.
    Raises StatementFailed where the server is older than 13, has no PL/pgSQL for this role, or gives up.
    """
    version = connection.info.server_version
    if version // 10000 < releases.OLDEST:
        raise StatementFailed(
            f"the server is PostgreSQL {version // 10000}",
            hint=f"facts can be read from {releases.OLDEST} to {releases.NEWEST}",
            sqlstate=None,
        )
    found: list[Catalog] = []
    for batch in _batches(plans):
        found.extend(_read(connection, batch, trust, with_values=with_values))
    return tuple(found)


def _batches(plans: Sequence[PlanTree]) -> Iterator[list[PlanTree]]:
    """Runs of plans with not much more nodes than `BATCH_NODES`: each is one statement, which is limited in time."""
    batch: list[PlanTree] = []
    for plan in plans:
        batch.append(plan)
        if sum(len(p) for p in batch) >= BATCH_NODES:
            yield batch
            batch = []
    if batch:
        yield batch


def _read(connection: Connection, plans: Sequence[PlanTree], trust: Trust, *, with_values: bool) -> tuple[Catalog, ...]:
    request = as_json(wanted_facts(plans, trust=trust, with_values=with_values), ascii_only=False)
    try:
        with connection.transaction(force_rollback=True):
            connection.execute("set transaction read only")
            _put_in_order(connection, request)
            before = _demanded_order(connection)
            connection.execute(facts_program(trust).encode())
            if _demanded_order(connection) != before:
                raise StatementFailed("the role or row security changed while the facts were read", sqlstate=None)
            row = connection.execute("select pg_catalog.current_setting(%s)", (ANSWER_SETTING,)).fetchone()
    except psycopg.Error as error:
        raise StatementFailed(
            f"the catalog facts could not be read: {first_line(error)}",
            hint=None if connection.closed else _CHECK,
            sqlstate=error.sqlstate,
        ) from None
    assert row is not None
    try:
        return catalogs_from_answer(json.loads(row[0]))
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        raise StatementFailed(
            f"the catalog facts could not be read: {first['msg']}",
            where=" > ".join(str(step) for step in first["loc"]),
            sqlstate=None,
        ) from None


def _put_in_order(connection: Connection, request: str) -> None:
    """Hand the program its request and the session's own search path, and set what it demands, for the transaction."""
    connection.execute(
        "select pg_catalog.set_config(%s, pg_catalog.current_setting('search_path'), true),"
        " pg_catalog.set_config('client_encoding', 'UTF8', true),"
        " pg_catalog.set_config('standard_conforming_strings', 'on', true)",
        (PATH_SETTING,),
    )
    connection.execute(
        "select pg_catalog.set_config('search_path', %s, true), pg_catalog.set_config('lock_timeout', %s, true),"
        " pg_catalog.set_config(%s, %s, true)",
        (SAFE_PATH, f"{LOCK_TIMEOUT_MS}ms", REQUEST_SETTING, request),
    )


_AS_IT_WAS = ("role", "session_authorization", "row_security")


def _demanded_order(connection: Connection) -> list[str]:
    """Ask the server itself whether all is as the program demands; gives what has to stay as it was.

    Raises StatementFailed where a setting is another.
    """
    names = [*(name for name, _ in DEMANDED), *_AS_IT_WAS]
    rows = connection.execute(
        "select pg_catalog.current_setting(n) from pg_catalog.unnest(%s::pg_catalog.text[]) n", (names,)
    ).fetchall()
    shown = [str(row[0]) for row in rows]
    for (name, wanted), found in zip(DEMANDED, shown, strict=False):
        if found != wanted:
            raise StatementFailed(
                f"the catalog facts are read only with {name} = {wanted}, and the server says {found}",
                hint="connect without a pooler that changes settings",
                sqlstate=None,
            )
    return shown[len(DEMANDED) :]
