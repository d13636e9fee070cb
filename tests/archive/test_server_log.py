"""A log that a real server wrote: its own query identifiers say which executions are of one statement."""

from __future__ import annotations

import io
from collections import defaultdict
from pathlib import Path

import psycopg
import pytest

from rowreckon.archive.audit import audit_archive
from rowreckon.archive.digest import Digester
from rowreckon.archive.literals import normalised
from rowreckon.reading import RawPlan
from rowreckon.reading.logs import read_log
from rowreckon.server.own.embedded import embedded_server

from ..servers.fixtures import TEST_SETTINGS

pytestmark = pytest.mark.server

STATEMENTS = (
    "select count(*) from huts where bunks = {n}",
    "select count(*) from huts where bunks = {n} and name <> 'it''s {n}'",
    "SELECT count(*)\n  from huts   where name = E'tab\\t{n}' -- call {n}",
    "select count(*) from huts h join bookings b on b.hut_id = h.id where b.nights > {n} and h.name like '{n}%'",
    "select * from bookings where hut_id in ({n}, {n} + 1, -{n}) order by id limit 5",
    "select $q$ {n} $q$, {n}.5, {n}e2, x'1{n}' from huts where bunks between {n} and 10{n}",
    "select sum(nights) from bookings where hut_id = any('{{{n},2}}'::int[]) /* page {n} */",
    "select (select max(nights) from bookings b where b.hut_id = h.id) from huts h where h.id < {n}",
)
TIMES = 6


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Each statement several times over with other literals, in a stderr log of JSON plans."""
    settings = {
        **TEST_SETTINGS,
        "logging_collector": "on",
        "log_destination": "stderr",
        "log_min_messages": "log",
        "log_filename": "hut.log",
        "log_rotation_size": "0",
        "compute_query_id": "on",
        "enable_bitmapscan": "off",
    }
    path = tmp_path_factory.mktemp("server") / "hut.log"
    with embedded_server(settings=settings) as dsn, psycopg.connect(dsn, autocommit=True) as connection:
        connection.execute("create table huts (id int primary key, name text, bunks int)")
        connection.execute("create table bookings (id int primary key, hut_id int, nights int)")
        connection.execute("insert into huts select n, 'hut ' || n, n % 40 from generate_series(1, 300) n")
        connection.execute("insert into bookings select n, n % 300, n % 9 from generate_series(1, 9000) n")
        connection.execute("analyze")
        connection.execute("load 'auto_explain'")
        for name, value in {"log_format": "json", "log_analyze": "on", "log_verbose": "on"}.items():
            connection.execute(f"set auto_explain.{name} = {value}".encode())
        connection.execute("set auto_explain.log_min_duration = 0")
        for n in range(1, TIMES + 1):
            for statement in STATEMENTS:
                connection.execute(statement.format(n=n).encode(), prepare=False)
        connection.execute("set auto_explain.log_min_duration = -1")
        row = connection.execute(
            "select pg_sleep(0.5), pg_read_binary_file(pg_current_logfile('stderr'), 0, 100000000)"
        ).fetchone()
        assert row is not None
        path.write_bytes(bytes(row[1]))
    return path


def _plans(log: Path) -> list[RawPlan]:
    found = list(read_log(io.BytesIO(log.read_bytes())))
    assert all(isinstance(each, RawPlan) for each in found)
    return [each for each in found if isinstance(each, RawPlan)]


def test_texts_without_literals_tell_statements_apart_as_the_server_does(log: Path) -> None:
    """The same text after normalising exactly where the server gives the same query identifier."""
    texts: dict[int, set[str]] = defaultdict(set)
    for raw in _plans(log):
        texts[raw.document["Query Identifier"]].add(normalised(raw.query or ""))

    assert len(texts) == len(STATEMENTS)
    assert all(len(each) == 1 for each in texts.values()), texts
    assert len(set().union(*texts.values())) == len(STATEMENTS)


def test_each_statement_is_one_fold_for_each_of_its_shapes(log: Path) -> None:
    """Executions per query identifier add up; with the identifiers taken away the folds are the same."""
    result = audit_archive([str(log)], most_folds=1000)
    by_id: dict[str | None, int] = defaultdict(int)
    for fold in result.folds:
        by_id[fold.query_id] += fold.times
    plans = _plans(log)
    bare = [
        RawPlan(
            {k: v for k, v in raw.document.items() if k != "Query Identifier"}, raw.form, "", raw.query, (), raw.extra
        )
        for raw in plans
    ]
    digester = Digester(threshold=10.0)
    pairs = {
        (digester.digest(one).fingerprint, digester.digest(other).fingerprint)
        for one, other in zip(plans, bare, strict=True)
    }

    assert set(by_id.values()) == {TIMES}
    assert len(by_id) == len(STATEMENTS)
    assert len({one for one, _ in pairs}) == len({other for _, other in pairs}) == len(pairs) == len(result.folds)
    assert result.summary.plans == TIMES * len(STATEMENTS)
    assert not result.rejected


def test_first_and_last_are_the_log_s_own_times(log: Path) -> None:
    """The prefix's times of the first and the last entry of a fold."""
    result = audit_archive([str(log)], most_folds=1000)
    times = sorted(raw.extra["timestamp"] for raw in _plans(log))

    assert min(fold.first for fold in result.folds if fold.first) == times[0]
    assert max(fold.last for fold in result.folds if fold.last) == times[-1]
