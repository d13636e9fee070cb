"""Ranges that go together: how many combinations there are decides whether a list of them helps."""

from __future__ import annotations

import psycopg

from rowreckon.causes.registry import BY_CODE

from .live import first, judged, value


def test_a_list_covers_combinations_that_go_together(database: str) -> None:
    """Ten weeks belong to each season: of 16,000 pairs of values, more than any list holds, there are 400.

    The list that is advised is longer than that, and the server's estimate is then right.
    """
    query = "select count(*) from games where season = 7 and week between 70 and 79"
    with psycopg.connect(database, autocommit=True) as connection, connection.transaction(force_rollback=True):
        connection.execute("create table games(game int, season int, week int)")
        connection.execute("insert into games select i, i % 400 / 10, i % 400 from generate_series(1, 40000) i")
        connection.execute("analyze games")
        ill = judged(connection, query)
        (cure,) = BY_CODE["correlated_columns_range"].remedy(first(ill).subject, ill.capture)
        for statement in cure.sql:
            connection.execute(statement.encode())
        well = judged(connection, query)
        there = value(connection, "select count(*) from (select distinct season, week from games) s")

    assert first(ill).code == "correlated_columns_range"
    assert first(ill).subject.curable
    assert (there, cure.sql[1].split()[-1]) == (400, "1000")
    assert well.findings == ()
