"""Captures from a live server for join tests: a plan, and the facts that belong to it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg import sql

from rowreckon.capture import Alternative, Capture
from rowreckon.catalog.facts import Catalog
from rowreckon.counts import find_origins
from rowreckon.document.audit import Join
from rowreckon.joins import judge_joins
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.plan import lay_out, parse_document
from rowreckon.plan.document import ExplainDocument
from rowreckon.plan.tree import PlanTree
from rowreckon.server.sweeping.facts import read_catalogs
from tests.servers.databases import fresh_database, run_script
from tests.servers.fixtures import Servers
from tests.servers.recorded import Recorder, Replayed, kept_answers, recorded

Connection = psycopg.Connection[Any]
ANSWERS = Path(__file__).with_name("answers")
"""What the newest server answered, a file for each test module (`tests/servers/recorded.py`)."""
SERIAL = {"max_parallel_workers_per_gather": "0", "jit": "off"}


def live_and_kept(module: str, majors: Sequence[int] = ()) -> list[Any]:
    """Parameters of a module's `connection`: servers of these releases, else the newest, and what one answered."""
    live = [pytest.param(None, marks=pytest.mark.server, id="live")]
    if majors:
        live = [pytest.param(major, marks=pytest.mark.matrix, id=f"pg{major}") for major in majors]
    return [*live, *kept_answers(ANSWERS, f"{Path(module).stem}.")]


@contextlib.contextmanager
def kept_or_live(request: pytest.FixtureRequest, script: str, *after: str) -> Iterator[Any]:
    """A session on a database with these tables, in which the further statements were run; or what one answered."""
    if isinstance(request.param, Path):
        yield Replayed(request.param)
        return
    with contextlib.ExitStack() as kept:
        if request.param is None:
            database: str = request.getfixturevalue("database")
        else:
            servers: Servers = request.getfixturevalue("servers")
            database = kept.enter_context(fresh_database(servers(request.param).dsn))
        if script:
            run_script(database, script)
        session = kept.enter_context(psycopg.connect(database, autocommit=True))
        for statement in after:
            session.execute(statement.encode())
        yield kept.enter_context(recorded(session, ANSWERS, f"{Path(request.path).stem}."))


def run(connection: Any, script: str) -> None:
    """Run a script's statements one after the other, in a session of their own."""
    if not isinstance(connection, Replayed):
        run_script(connection.info.dsn, script)


def _catalog(connection: Any, tree: PlanTree) -> Catalog:
    """What the server's catalogs say of a plan."""
    if isinstance(connection, Replayed):
        return Catalog.model_validate(connection.execute("the catalog").fetchone()[0])
    asked = connection.connection if isinstance(connection, Recorder) else connection
    (found,) = read_catalogs(asked, [tree], trust="own_list")
    if isinstance(connection, Recorder):
        connection.take_down("the catalog", [(found.model_dump(mode="json", by_alias=True, exclude_defaults=True),)])
    return found


@contextlib.contextmanager
def filled(dsn: str, script: str) -> Iterator[Connection]:
    """A session on a database with these tables, vacuumed and analysed."""
    with psycopg.connect(dsn, autocommit=True) as session:
        session.execute(script.encode())
        session.execute("vacuum analyze")
        yield session


def explain(connection: Connection, query: str, options: str = "") -> ExplainDocument:
    """The plan of a query as the session sees it."""
    row = connection.execute(f"explain ({options}verbose, settings, format json) {query}".encode()).fetchone()
    assert row is not None
    return parse_document(row[0][0])


def capture(
    connection: Connection,
    query: str,
    *,
    settings: Mapping[str, str] = SERIAL,
    catalog: bool = True,
    alternatives: tuple[Mapping[str, str], ...] = (),
    analyze: bool = True,
) -> Capture:
    """One query's capture under these settings; `alternatives` are further settings to plan it again with."""
    with connection.transaction(force_rollback=True):
        apply(connection, settings)
        document = explain(connection, query, "analyze, buffers, timing off, " if analyze else "")
        facts = _catalog(connection, lay_out(document.plan)) if catalog else None
        others: list[Alternative] = []
        for other in alternatives:
            with connection.transaction(force_rollback=True):
                apply(connection, other)
                others.append(Alternative(switched_off=tuple(other), explain=explain(connection, query)))
    return Capture(
        name="test",
        query=query,
        server_version=connection.info.server_version,
        settings=document.settings,
        explain=document,
        catalog=facts,
        alternatives=tuple(others),
    )


def judge(captured: Capture, threshold: float = 10.0) -> tuple[Join, ...]:
    """The verdicts on a capture's joins."""
    reckoned = reckoned_of(captured)
    return judge_joins(captured, reckoned, find_origins(reckoned), threshold=threshold).joins


def apply(connection: Connection, settings: Mapping[str, str]) -> None:
    """Settings for the rest of the transaction."""
    for name, value in settings.items():
        connection.execute(sql.SQL("set local {} = {}").format(sql.Identifier(name), sql.Literal(value)))


def only(method: str) -> dict[str, str]:
    """Settings that leave one join method."""
    switches = {"nested_loop": "enable_nestloop", "hash": "enable_hashjoin", "merge": "enable_mergejoin"}
    return {switch: "on" if name == method else "off" for name, switch in switches.items()}
