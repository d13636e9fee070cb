"""A filter by what a function makes of a column: what is offered, and that the server then estimates rightly."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import psycopg
import pytest

from rowreckon.causes.registry import BY_CODE
from rowreckon.remedies.draft import Draft
from tests.faults.runner import flush_counters

from .live import Connection, codes, first, judged

SETUP = """
create table visits(visit int, code text, came_at timestamptz);
insert into visits select i, 'Code ' || i, timestamptz '2026-01-01 00:00+00' + i * interval '30 seconds'
from generate_series(1, 30000) i;
"""
RARE = "select * from visits where lower(code) = 'code 77'"
COMMON = "select * from visits where left(code, 6) = 'Code 1'"
STABLE = "select * from visits where to_char(came_at, 'YYYY') = '2026'"
BY_ZONE = "select * from visits where came_at::date = '2026-01-05'"


@pytest.fixture(scope="module")
def visits(database: str) -> Iterator[Connection]:
    """Visits at half a minute each, with codes that differ."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute(SETUP.encode())
        flush_counters(connection)
        connection.execute("analyze")
        connection.execute("set max_parallel_workers_per_gather = 0")
        connection.execute("set timezone = 'UTC'")
        yield connection


def _drafts(connection: Connection, query: str, *, release: int | None = None) -> tuple[Draft, ...]:
    found = judged(connection, query)
    assert codes(found)[0] == "expression_without_statistics"
    capture = found.capture
    if release is not None:
        assert capture.catalog is not None
        catalog = capture.catalog.model_copy(update={"server_version": release * 10000})
        capture = capture.model_copy(update={"catalog": catalog})
    return BY_CODE["expression_without_statistics"].remedy(first(found).subject, capture)


def _mended(connection: Connection, query: str, draft: Draft) -> str:
    with connection.transaction(force_rollback=True):
        for statement in draft.sql_trial or draft.sql:
            connection.execute(statement.encode())
        assert judged(connection, query).findings == ()
        return str(connection.execute(f"explain {query}".encode()).fetchall())


@pytest.mark.parametrize(
    ("query", "kinds"),
    [(RARE, ["more_statistics", "expression_index"]), (COMMON, ["more_statistics"]), (STABLE, ["more_statistics"])],
)
def test_each_change_that_is_offered_mends_the_estimate(visits: Connection, query: str, kinds: list[str]) -> None:
    """Few rows of many: after the statistics the index that also finds them, and the server takes it."""
    drafts = _drafts(visits, query)
    plans = [_mended(visits, query, draft) for draft in drafts]

    assert [draft.kind for draft in drafts] == kinds
    assert ["_idx" in plan for plan in plans] == [kind == "expression_index" for kind in kinds]


@pytest.mark.parametrize(
    ("query", "why"),
    [
        (STABLE, "to_char is stable"),
        (BY_ZONE, "the cast to date goes by the session's time zone, so it is stable"),
    ],
)
def test_what_is_only_stable_goes_into_no_index(visits: Connection, query: str, why: str) -> None:
    """It is said, as the server says it; on 13, where an index is the only way, no statement is written."""
    (draft,) = _drafts(visits, query)
    (older,) = _drafts(visits, query, release=13)
    expression = str(first(judged(visits, query)).subject.expressions[0])
    with pytest.raises(psycopg.errors.InvalidObjectDefinition, match="IMMUTABLE"):
        visits.execute(f"create index on visits (({expression}))".encode())

    assert f"{why}: no index and no generated column takes it" in draft.cautions
    assert older.sql == ()
    assert f"no statement is written for it: {why}, which no index takes" in older.cautions


def test_what_is_immutable_has_an_index_on_13(visits: Connection) -> None:
    (draft,) = _drafts(visits, RARE, release=13)

    assert replace(draft, sql=()).kind == "expression_index"
    assert draft.sql[0].startswith("CREATE INDEX CONCURRENTLY visits_lower_code_idx ON public.visits")
