"""Server logs really written: each entry once to stderr, once as CSV, once as JSON, in each plan format.

The three logs of one server hold the very same executions, so their plans must be equal; across the plan formats the
same statements must give the same documents in all that a second run does not change.
"""

from __future__ import annotations

import gzip
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
import pytest
import zstandard

from rowreckon import releases
from rowreckon.reading import RawPlan, Rejected, read_plans
from rowreckon.reading.logs import is_log, open_log, read_log
from tests.servers.fixtures import running

from ..servers.fixtures import TEST_SETTINGS
from .compare import differences
from .generator import statements
from .hut_tables import create_tables
from .test_forms_agree import not_carried

PREFIXES = {
    "default": "%m [%p] ",
    "rich": "%t:%r:user=%u,db=%d,app=%a,client=%h [%p] %q[%l-1] ",
    "at": "<%n %u@%d %p> ",
    "none": "",
}
FORMATS = ("json", "text", "yaml", "xml")
CHOSEN = (
    "three_tables",
    "sub_plan",
    "cte",
    "gather",
    "quoted_names",
    "line_break_in_constant",
    "figures_in_constant",
    "insert_trigger",
    "grouping_sets_mixed",
    "incremental_sort",
    "init_plan",
)


@dataclass(frozen=True)
class Logs:
    """What one server wrote: by prefix and plan format the bytes of each kind of log."""

    major: int
    written: dict[tuple[str, str], dict[str, bytes]]


# the logs of a release take a quarter of a minute to make: those between are read in the full run
_MAJORS = [
    pytest.param(major, id=f"pg{major}", marks=[] if major in (releases.OLDEST, releases.NEWEST) else pytest.mark.full)
    for major in releases.MODELLED
]


@pytest.fixture(scope="module", params=_MAJORS)
def logs(request: pytest.FixtureRequest) -> Logs:
    major: int = request.param
    kinds = ["stderr", "csvlog", *(["jsonlog"] if major >= 15 else [])]
    settings = {
        **TEST_SETTINGS,
        "logging_collector": "on",
        "log_destination": ",".join(kinds),
        "log_min_messages": "log",
        "log_filename": "hut.log",
        "log_rotation_size": "0",
        **({"compute_query_id": "on"} if major >= 14 else {}),
    }
    written: dict[tuple[str, str], dict[str, bytes]] = {}
    with running(major, settings) as server:
        with psycopg.connect(server.dsn) as connection:
            create_tables(connection)
        for name, prefix in PREFIXES.items():
            for form in FORMATS if name == "default" else ("json", "text"):
                written[name, form] = _write(server.dsn, kinds, prefix, form, major)
    return Logs(major, written)


def _write(dsn: str, kinds: list[str], prefix: str, form: str, major: int) -> dict[str, bytes]:
    """Run the chosen statements with the log module on; what was added to each log meanwhile."""
    with psycopg.connect(dsn, autocommit=True, application_name="hut book") as connection:
        connection.execute(f"alter system set log_line_prefix = '{prefix}'".encode())
        connection.execute("select pg_reload_conf(), pg_sleep(0.2)")
        before = {kind: _size(connection, kind) for kind in kinds}
        connection.execute("load 'auto_explain'")
        connection.execute("set search_path = huts, public")
        for name, value in {
            "log_format": form,
            "log_analyze": "on",
            "log_verbose": "on",
            "log_settings": "on",
            "log_triggers": "on",
            "log_nested_statements": "on",
        }.items():
            connection.execute(f"set auto_explain.{name} = {value}".encode())
        for statement in statements(major):
            if statement.name in CHOSEN:
                with connection.transaction(force_rollback=True):
                    for key, value in statement.settings.items():
                        connection.execute("select set_config(%s, %s, true)", (key, value))
                    connection.execute("set local auto_explain.log_min_duration = 0")
                    connection.execute(statement.sql.encode(), prepare=False)
                    connection.execute("set local auto_explain.log_min_duration = -1")
                    connection.execute("do $$ begin raise log 'a line between: %', E'with\\na break'; end $$")
        return {kind: _added(connection, kind, before[kind]) for kind in kinds}


def _size(connection: psycopg.Connection, kind: str) -> int:
    row = connection.execute("select (pg_stat_file(pg_current_logfile(%s))).size", (kind,)).fetchone()
    assert row is not None
    return int(row[0])


def _added(connection: psycopg.Connection, kind: str, start: int) -> bytes:
    connection.execute("select pg_sleep(0.3)")
    row = connection.execute(
        "select pg_read_binary_file(pg_current_logfile(%s), %s, 100000000)", (kind, start)
    ).fetchone()
    assert row is not None
    return bytes(row[0])


def plans(log: bytes) -> list[RawPlan]:
    found = list(read_log(io.BytesIO(log)))
    assert all(isinstance(each, RawPlan) for each in found), [each for each in found if isinstance(each, Rejected)][:1]
    return [each for each in found if isinstance(each, RawPlan)]


def test_all_kinds_of_log_hold_the_same_plans(logs: Logs) -> None:
    """stderr with any prefix, CSV and JSON give equal documents, queries and durations."""
    for (name, form), kinds in logs.written.items():
        expected = plans(kinds["stderr"])
        assert len(expected) >= len(CHOSEN)
        assert {each.form for each in expected} == {form}
        for kind in kinds:
            found = plans(kinds[kind])
            assert [each.document for each in found] == [each.document for each in expected], (name, form, kind)
            assert [each.query for each in found] == [each.query for each in expected]
            assert [each.extra["duration_ms"] for each in found] == [each.extra["duration_ms"] for each in expected]


def test_queries_are_those_that_ran(logs: Logs) -> None:
    """The query beside each plan is the statement as it was sent, with its line breaks."""
    sent = [each.sql for each in statements(logs.major) if each.name in CHOSEN]
    for kinds in logs.written.values():
        queries = [each.query for each in plans(kinds["stderr"])]
        assert [query for query in queries if query in sent] == sent


def test_plan_formats_agree(logs: Logs) -> None:
    """The same statements logged as text, YAML and XML give what they give as JSON."""
    expected = plans(logs.written["default", "json"]["stderr"])
    for form in FORMATS[1:]:
        found = plans(logs.written["default", form]["stderr"])
        assert len(found) == len(expected)
        for one, other in zip(expected, found, strict=True):
            for difference in differences(one.document, other.document, executed=True):
                carried = form != "text" or not not_carried(difference, logs.major)
                assert not carried, (form, one.query, difference)


def test_facts_of_the_entry(logs: Logs) -> None:
    """Who ran it, when and where: from the columns of CSV and JSON, and from the prefix where it says so."""
    rich = plans(logs.written["rich", "json"]["stderr"])[0].extra
    assert (rich["user"], rich["database"], rich["application"]) == ("postgres", "postgres", "hut book")
    assert plans(logs.written["at", "json"]["stderr"])[0].extra["user"] == "postgres"
    assert set(plans(logs.written["none", "json"]["stderr"])[0].extra) == {"duration_ms"}
    kinds = logs.written["default", "json"]
    first = plans(kinds["stderr"])[0].extra
    for kind in kinds:
        facts = plans(kinds[kind])[0].extra
        assert facts["pid"] == first["pid"]
        assert str(facts["timestamp"]) == first["timestamp"]
        if kind != "stderr":
            assert (facts["user"], facts["database"], facts["application"]) == ("postgres", "postgres", "hut book")
            if logs.major >= 14:
                assert isinstance(facts["query_id"], int)


def test_places_count_lines_of_the_log(logs: Logs) -> None:
    """`where` is the line on which the entry begins."""
    log = logs.written["default", "text"]["stderr"]
    expected = [f"line {i}" for i, line in enumerate(log.split(b"\n"), 1) if b" ms  plan:" in line]
    assert [each.where for each in plans(log)] == expected


def test_a_log_cut_at_its_end_is_said(logs: Logs) -> None:
    """The last plan of a cut log is rejected, or said to be cut where its form has no end; all before it are read."""
    for (name, form), kinds in logs.written.items():
        if name != "default":
            continue
        for log in kinds.values():
            last = log.rindex(b" ms  plan:")
            found = list(read_log(io.BytesIO(log[: last + 300])))
            assert len(found) == len(plans(log))
            assert all(isinstance(each, RawPlan) for each in found[:-1])
            last_one = found[-1]
            if isinstance(last_one, RawPlan):
                assert form in ("text", "yaml")
                assert "may be cut off" in last_one.notes[-1]


def test_reading_in_small_pieces_changes_nothing(logs: Logs) -> None:
    """However a pipe cuts the stream, the same plans come out."""
    for kind, log in logs.written["default", "json"].items():
        expected = [each.document for each in plans(log)]
        for size in (1000, 4099):
            found = [each.document for each in read_log(Pieces(log, size)) if isinstance(each, RawPlan)]  # type: ignore[arg-type]
            assert found == expected, kind


class Pieces(io.RawIOBase):
    """A stream that gives at most `size` bytes at a time."""

    def __init__(self, data: bytes, size: int) -> None:
        self.data = io.BytesIO(data)
        self.size = size

    def read(self, size: int = -1) -> bytes:
        return self.data.read(min(self.size, size) if size >= 0 else self.size)


def test_compressed_logs(logs: Logs, tmp_path: Path) -> None:
    """gzip and zstd are unpacked while reading."""
    log = logs.written["default", "json"]["stderr"]
    for name, data in {
        "a.log": log,
        "a.log.gz": gzip.compress(log),
        "a.log.zst": zstandard.compress(log),
        "b.log.zst": zstandard.compress(log[:5000]) + zstandard.compress(log[5000:]),
    }.items():
        (tmp_path / name).write_bytes(data)
        with open_log(tmp_path / name) as stream:
            assert len(list(read_log(stream))) == len(plans(log)), name


def test_a_pasted_piece_of_a_log(logs: Logs) -> None:
    """`read_plans` knows a log, also without its tabs, quoted, or as one JSON line."""
    log = logs.written["default", "json"]["stderr"]
    expected = [each.document for each in plans(log)]
    assert is_log(log)
    for text in (log, log.decode(), log.decode().replace("\n\t", "\n"), log.decode().replace("\n\t", "\n    ")):
        assert [each.document for each in read_plans(text) if isinstance(each, RawPlan)] == expected
    if "jsonlog" in logs.written["default", "json"]:
        lines = logs.written["default", "json"]["jsonlog"].decode().splitlines()
        one = next(line for line in lines if " ms  plan:" in line)
        assert [each.document for each in read_plans(one) if isinstance(each, RawPlan)] == expected[:1]
        assert json.loads(one)["message"].startswith("duration: ")


def interleaved(log: bytes) -> bytes:
    """The log with another process's lines in the middle of every plan, as an unbuffered stderr can have them."""
    pieces: list[bytes] = []
    lines = log.split(b"\n")
    inside: Any = None
    for line in lines:
        pieces.append(line)
        inside = 0 if b" ms  plan:" in line else (inside + 1 if inside is not None and line[:1] == b"\t" else None)
        if inside == 12:
            pieces.append(b"2024-07-01 10:00:00.000 UTC [4242] LOG:  connection received: host=[local]")
    return b"\n".join(pieces)


def test_other_lines_within_a_plan_are_left_out(logs: Logs) -> None:
    """Lines of other processes that were written into the middle of a plan are skipped."""
    log = logs.written["default", "json"]["stderr"]
    assert interleaved(log) != log
    assert [each.document for each in plans(interleaved(log))] == [each.document for each in plans(log)]
