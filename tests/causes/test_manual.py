"""The PostgreSQL manual's own misestimates: "Multivariate Statistics Examples" (chapter "How the Planner Uses
Statistics"), table t of 10,000 rows with i % 100 in both columns; the same estimates on 13 to 18."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.proposals import missing_for

from .live import Connection, codes, first, judged

SETUP = (
    "create table t(a int, b int)",
    "insert into t select i % 100, i % 100 from generate_series(1, 10000) s(i)",
    "analyze t",
)


@pytest.fixture
def manual(database: str) -> Iterator[Connection]:
    """The manual's table, fresh for each test."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute("drop table if exists t")
        for statement in SETUP:
            connection.execute(statement)
        connection.execute("select pg_stat_force_next_flush()")
        connection.execute("analyze t")
        yield connection


@pytest.mark.parametrize("catalog", [False, True], ids=["plan", "catalog"])
def test_equal_columns(manual: Connection, catalog: bool) -> None:
    """a = 1 and b = 1: 1 row expected, 100 came (q-error 100). The manual's cause: functional dependencies."""
    audit = judged(manual, "select * from t where a = 1 and b = 1", catalog=catalog)
    assert first(audit).code == "correlated_columns_equality"
    assert first(audit).subject.columns == ("a", "b")
    assert first(audit).finding.basis == ("catalog" if catalog else "plan")
    assert first(audit).finding.confidence >= (0.9 if catalog else 0.7)


def test_one_column(manual: Connection) -> None:
    """a = 1 alone: 100 rows expected, 100 came: nothing to find."""
    assert judged(manual, "select * from t where a = 1").findings == ()


def test_grouping(manual: Connection) -> None:
    """group by a, b: 1,000 groups expected, 100 came (q-error 10). group by a: 100 and 100."""
    audit = judged(manual, "select a, b, count(*) from t group by a, b", threshold=5)
    assert first(audit).code == "ndistinct_multi_column"
    assert judged(manual, "select a, count(*) from t group by a", threshold=5).findings == ()


def test_no_cause_remains_after_the_manuals_cure(manual: Connection) -> None:
    """With the statistics object that the manual creates the same queries have no finding."""
    manual.execute("create statistics stts (dependencies, ndistinct) on a, b from t")
    manual.execute("analyze t")
    assert judged(manual, "select * from t where a = 1 and b = 1").findings == ()
    assert judged(manual, "select a, b, count(*) from t group by a, b", threshold=5).findings == ()


def test_impossible_pair(manual: Connection) -> None:
    """a = 1 and b = 10 with dependencies: 100 expected, none came: the manual's documented limit, no certain cause."""
    manual.execute("create statistics stts (dependencies) on a, b from t")
    manual.execute("analyze t")
    audit = judged(manual, "select * from t where a = 1 and b = 10")
    assert codes(audit)[0] == "correlated_columns_equality"
    assert first(audit).harms == "nothing"


def test_old_statistics_are_no_correlation(manual: Connection) -> None:
    """A value that only new rows hold: more came than one clause alone was expected to keep, so no product is at
    fault."""
    manual.execute("insert into t select 500, 500 from generate_series(1, 3000)")
    manual.execute("select pg_stat_force_next_flush()")
    audit = judged(manual, "select * from t where a = 500 and b = 500")
    assert codes(audit) == ["stale_statistics"]


def test_plan_alone_says_what_would_decide(manual: Connection) -> None:
    """Without the catalog the cause is less than certain, and the list of missing evidence names the command."""
    audit = judged(manual, "select * from t where a < 50 and b > 49", catalog=False)
    assert first(audit).finding.confidence < 0.75
    assert any("--dsn" in m.how or "rowreckon ask" in m.how for m in missing_for(audit))
