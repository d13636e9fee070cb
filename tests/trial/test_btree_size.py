"""How large a new index will be: PostgreSQL builds one over the same rows, and says how many pages it has."""

from __future__ import annotations

from typing import Any

import psycopg
import pytest

from rowreckon.trial.btree_size import MOST_ROWS, KeyColumn, Keys, btree_size
from tests.servers.databases import fresh_database

ROWS = 60_000
TABLE = f"""
create table stays as select i as id, i::bigint as number, i % 50 as valley, (i * 7919) % 6000 as guest,
  case when i % 3 > 0 then i end as bill, 'guest ' || i % 6000 as name, i::numeric as price
from generate_series(1, {ROWS}) i
"""
INT, BIGINT, TEXT, NUMERIC = (
    KeyColumn(4, 4),
    KeyColumn(8, 8),
    KeyColumn(4, 11, fixed=False),
    KeyColumn(4, 5, fixed=False),
)
SHAPES: dict[str, Keys] = {
    "id": Keys((INT,), 1, ROWS),
    "number": Keys((BIGINT,), 1, ROWS),
    "valley": Keys((INT,), 1, 50),
    "guest": Keys((INT,), 1, 6000),
    "bill": Keys((KeyColumn(4, 4, 1 / 3),), 1, ROWS * 2 / 3, (1 / 3,)),
    "name": Keys((TEXT,), 1, 6000),
    "price": Keys((NUMERIC,), 1, ROWS, posting=False),
    "valley, id": Keys((INT, INT), 2, ROWS),
    "guest, name": Keys((INT, TEXT), 2, 6000),
    "id) include (number": Keys((INT, BIGINT), 1, ROWS, posting=False),
}


@pytest.fixture(scope="module")
def built(server: str) -> dict[str, int]:
    """The pages of each index on a server."""
    with fresh_database(server) as dsn, psycopg.connect(dsn, autocommit=True) as connection:
        connection.execute(TABLE)
        return {columns: pages(connection, columns) for columns in SHAPES}


def pages(connection: psycopg.Connection[Any], columns: str) -> int:
    """The pages of an index on these columns."""
    with connection.transaction(force_rollback=True):
        connection.execute(f"create index sized on stays ({columns})".encode())
        row = connection.execute("select pg_relation_size('sized') / 8192").fetchone()
    assert row is not None
    return int(row[0])


@pytest.mark.server
@pytest.mark.parametrize("columns", SHAPES)
def test_an_index_has_the_pages_that_were_said(built: dict[str, int], columns: str) -> None:
    """Within a twentieth; what has one width and no posting lists to the page."""
    said = btree_size(ROWS, SHAPES[columns]).pages

    assert said == pytest.approx(built[columns], rel=0.05)
    if columns in ("id", "number", "valley, id"):
        assert said == built[columns]


def test_no_index_is_larger_than_a_file_can_be() -> None:
    """Figures from a file may be anything."""
    for rows in (MOST_ROWS * 2, MOST_ROWS, 1e100, float("inf"), float("nan")):
        with pytest.raises(ValueError, match="more"):
            btree_size(rows, SHAPES["price"])
    assert btree_size(0, SHAPES["id"]).pages == 1
    assert btree_size(1e9, SHAPES["id"]).height == 3
