"""A range whose histogram is too coarse, against a live server: found, mended, and not elsewhere."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.causes.column_target_too_low import remedy
from tests.servers.databases import run_script

from .live import Connection, first, judged

# one row in a thousand is far above the others, within the last part of four
SETUP = """
create table weights(id int primary key, grams int);
insert into weights select i, case when i % 1000 = 0 then 800000 + i else i % 9000 end from generate_series(1, 40000) i;
alter table weights alter column grams set statistics 4;
analyze weights;
"""


@pytest.fixture(scope="module")
def weights(database: str) -> Iterator[Connection]:
    """A table with a long tail and a short histogram."""
    run_script(database, SETUP)
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


def test_a_tail_within_one_part_is_told_and_mended(weights: Connection) -> None:
    """More parts bring the estimate within the threshold on the server itself."""
    query = "select * from weights where grams > 500000"
    found = judged(weights, query)
    assert first(found).code == "column_target_too_low"
    (draft,) = remedy(first(found).subject, found.capture)
    for statement in draft.sql:
        weights.execute(statement.encode())
    try:
        row = weights.execute(f"explain (format json) {query}".encode()).fetchone()
        assert row is not None
        assert 4 <= row[0][0]["Plan"]["Plan Rows"] <= 400  # 40 rows come
    finally:
        weights.execute("alter table weights alter column grams set statistics 4")
        weights.execute("analyze weights")


def test_an_error_wider_than_a_part_has_another_cause(weights: Connection) -> None:
    """Rows that came after ANALYZE are no fault of the histogram."""
    weights.execute("insert into weights select 100000 + i, 900000 from generate_series(1, 30000) i")
    weights.execute("select pg_stat_force_next_flush()")
    found = judged(weights, "select * from weights where grams > 880000")

    assert "column_target_too_low" not in {f.code for f in found.findings}
