"""What a sweep asks of a join's filtered side: the one value of its key, and nothing that its query did not read."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.capture import Capture
from rowreckon.captures.masking import mask_capture
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.executing.execute import Executor
from rowreckon.server.lists.querylist import read_query_list
from rowreckon.server.sweeping.measure import SweepRules, measure
from tests.causes.live import Connection

SETUP = """
create table valleys(valley int primary key, name text unique, guide uuid);
insert into valleys select i, 'valley ' || i, gen_random_uuid() from generate_series(1, 300) i;
create table walks(valley int not null, day int);
insert into walks select case when i % 10 < 7 then 5 else 1 + i % 300 end, i % 365 from generate_series(1, 20000) i;
"""


@pytest.fixture(scope="module")
def valleys(database: str) -> Iterator[Connection]:
    """Most walks are in one valley."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute(SETUP.encode())
        connection.execute("analyze")
        yield connection


def swept(connection: Connection, query: str) -> Capture:
    (item,) = read_query_list(query)
    return measure(Executor(connection, SafetyPermission()), item, SweepRules()).capture


@pytest.mark.parametrize(
    ("where", "values"),
    [
        ("v.name = 'valley 5'", [("v", "valley", "5")]),
        ("name like 'valley 5' and v.valley > 2", [("v", "valley", "5")]),
        ("v.name in ('valley 5', 'valley 6')", []),
        ("v.name = (select 'valley 5')", []),
    ],
)
def test_a_filter_that_leaves_one_key_tells_its_value(
    valleys: Connection, where: str, values: list[tuple[str, str, str]]
) -> None:
    """By the tables: one valley bears the name; two names leave two keys, and what a subquery finds is not asked."""
    capture = swept(valleys, f"select count(*) from valleys v join walks w on w.valley = v.valley where {where}")

    assert capture.outcome == "ran"
    assert [(each.alias, each.column, each.value) for each in capture.key_values] == values
    assert mask_capture(capture).key_values == ()


def test_a_right_estimate_is_asked_nothing(valleys: Connection) -> None:
    capture = swept(valleys, "select count(*) from valleys v join walks w using (valley) where w.day = 3")

    assert capture.key_values == ()
