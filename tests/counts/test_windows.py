"""What a window function with a run condition reads: all where the rows are partitioned, else until it is decided.

The number of rows is the live server's own.
"""

from __future__ import annotations

import psycopg
import pytest

from tests.causes.live import judged

QUERY = "select * from (select id, row_number() over ({} order by id) as n from stays) s where n <= 10"


@pytest.mark.parametrize(("partition", "state"), [("partition by hut", "exact"), ("", "at_least")])
def test_a_window_is_read_to_its_end_if_another_partition_may_follow(database: str, partition: str, state: str) -> None:
    """The server's plan of release 18 names the partitions; the index gives the rows in the window's order."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute("create temporary table stays(id int, hut int)")
        connection.execute("insert into stays select i, i / 1000 from generate_series(1, 20000) i")
        connection.execute("create index on stays(id)")
        connection.execute("create index on stays(hut, id)")
        connection.execute("analyze stays")
        connection.execute("set enable_sort = off")
        reckoned = judged(connection, QUERY.format(partition)).reckoned

    scan = len(reckoned.tree) - 1
    assert "Scan" in reckoned.tree.nodes[scan].node_type
    assert reckoned.counts[scan].state == state
    assert (reckoned.counts[scan].actual == 20_000) == (state == "exact")
