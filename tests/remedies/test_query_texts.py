"""Texts with a key's value, and in two steps: which shapes are proven equal; a live server compares the rows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.capture import Capture, KeyValue
from rowreckon.causes.registry import BY_CODE
from rowreckon.remedies.key_value import key_value, look_up, with_value
from rowreckon.remedies.subject import Subject, TableName
from rowreckon.remedies.two_steps import two_steps
from tests.causes.live import Connection, first, judged
from tests.faults.runner import capture, flush_counters

SETUP = """
create table huts(hut int primary key, name text unique, valley int);
insert into huts select i, 'hut ' || i, i % 20 from generate_series(1, 400) i;
create table stays(stay int primary key, hut int not null references huts, month int, name text);
insert into stays select i, case when i % 10 < 6 then 11 else 1 + i % 400 end, i % 12, 'guest ' || i % 50
from generate_series(1, 20000) i;
create table meals(meal int primary key, stay int, dish text);
insert into meals select i, 1 + (i * 7) % 20000, repeat('m', 60) from generate_series(1, 29999) i;
create index meals_stay on meals(stay);
"""
OF_HUT = "from huts h join stays s on s.hut = h.hut join meals m on m.stay = s.stay where h.name = 'hut 11'"
SUBJECT = Subject(
    table=TableName("stays", "public"),
    other_table=TableName("huts", "public"),
    keys=(("s", "hut"), ("h", "hut")),
)


@pytest.fixture(scope="module")
def valley(database: str) -> Iterator[Connection]:
    """Huts, their stays and the meals of these; most stays are in hut 11."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute(SETUP.encode())
        flush_counters(connection)
        connection.execute("analyze")
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


def rows(connection: Connection, *statements: str) -> Counter[tuple[object, ...]]:
    """What the last of these gives, in a transaction that is rolled back."""
    with connection.transaction(force_rollback=True):
        for statement in statements[:-1]:
            connection.execute(statement.encode())
        return Counter(connection.execute(statements[-1].encode()).fetchall())


@pytest.mark.parametrize("each_apart", [False, True])
@pytest.mark.parametrize(
    "query",
    [
        f"select count(*), max(m.dish) {OF_HUT}",
        "select h.name, s.name, dish from huts h, stays s join meals m on m.stay = s.stay and s.month in (1, 2)"
        " where h.hut = s.hut and valley = 11",
        "select month, count(*) from huts h join stays s on s.hut = h.hut and h.valley < 3 group by month",
        "select s.month + h.valley, count(*), max(h.name) from huts h join stays s on s.hut = h.hut and h.valley < 3"
        " group by 1 having count(*) > 2",
        "select s.month + h.valley as shift from huts h join stays s using (hut) where h.valley = 3",
        "select s.stay from stays s cross join huts h where s.hut = h.hut and h.valley = 3 and s.month = h.hut"
        " and exists (select from meals m where m.stay = s.stay and m.meal % 2 = 0) order by s.stay",
        "select distinct h.name from huts h join stays s on s.hut = h.hut where h.name = 'hut 11' and s.month > 3",
        "select a.hut, s.month from huts a join huts h on h.hut = a.valley join stays s on s.hut = h.hut"
        " where h.valley = 5",
        "select hut, month, count(*) from huts h join stays s using (hut) join meals m using (stay)"
        " where h.valley = 11 and s.month > 3 group by hut, month order by hut",
        "select m.dish, s.hut from stays s join (meals m join huts h on h.hut = m.meal) using (hut) where valley < 9"
        " and month = 3",
        "select stay, h.hut from huts h join stays s using (hut, name) join meals using (stay) where h.valley = 3",
        "select s.stay, h.name from meals join stays s using (stay), huts h where h.hut = s.hut and h.valley = 11"
        " and s.stay < 900",
        "select distinct on (stay) stay, h.valley from stays s join huts h using (hut) join meals m using (stay)"
        " where s.month < h.valley order by stay",
    ],
)
def test_two_steps_give_the_same_rows(valley: Connection, query: str, each_apart: bool) -> None:
    """As multisets, by the server; a shape that is not proven has no statements."""
    subject = Subject(table=SUBJECT.table, other_table=SUBJECT.other_table, keys=SUBJECT.keys, each_apart=each_apart)
    drafts = two_steps(subject, capture(valley, query))

    assert drafts or each_apart  # each table needs a condition of its own to be kept by itself
    for draft in drafts:
        assert rows(valley, *draft.sql_trial) == rows(valley, query)
        assert draft.sql[0].startswith("BEGIN")
        assert draft.sql[-2] == draft.sql_trial[-1]


@pytest.mark.parametrize(
    "query",
    [
        f"select m.dish {OF_HUT} limit 5",
        f"select m.dish {OF_HUT} for update of s",
        f"with huts as (select 11 as hut, 'hut 11' as name) select m.dish {OF_HUT}",
        "select 1 from huts h left join stays s on s.hut = h.hut where h.name = 'hut 11'",
        "select * from huts h join stays s on s.hut = h.hut where h.name = 'hut 11'",
        "select 1 from huts h join stays s on s.hut = h.hut where h.name = 'hut 11' and exists (select from meals"
        " where stay = s.stay)",
        "select s from huts h join stays s on s.hut = h.hut where h.name = 'hut 11'",
        "select s.ctid from huts h join stays s on s.hut = h.hut where h.name = 'hut 11'",
        "select s.month as name from huts h join stays s on s.hut = h.hut where h.name = 'hut 11' order by name",
        "select * from huts h join stays s using (hut) where h.name = 'hut 11'",
        "select s.month as hut from huts h join stays s using (hut) where h.name = 'hut 11' order by hut",
        "select h.valley::text from huts h join stays s using (hut) where h.name = 'hut 11' order by hut",
        "select s.hut from huts h join stays s using (hut) where h.name = 'hut 11' order by hut",
        "select 1 from meals m join (huts h join stays s on h.hut = s.hut and stay < 3) using (stay)",
        "select j.hut from huts h join stays s using (hut) as j where h.name = 'hut 11'",
        "select 1 from huts h left join stays s using (hut) where h.name = 'hut 11'",
        "select 1 from huts h natural join stays s where h.valley = 11",
        "select hut from huts h join stays s using (hut) where exists (select from meals where stay = s.stay)",
        "select 1 from huts h join stays s on s.hut = h.hut where h.name = 'hut 11' union select hut from huts h",
        "select h.hut, h.valley, count(*) from huts h join stays s on s.hut = h.hut where h.name = 'hut 11'"
        " group by h.hut",
    ],
)
def test_other_shapes_stay_advice_in_words(valley: Connection, query: str) -> None:
    """Which rows come, or whose column is meant, is not told by the text alone."""
    found = capture(valley, query)

    assert two_steps(SUBJECT, found) == ()
    (advice,) = BY_CODE["cross_table_correlation"].remedy(SUBJECT, found)
    assert advice.sql == ()
    assert "no statement is written for it" in advice.cautions[0]


def test_two_steps_let_the_planner_know_the_rows(valley: Connection) -> None:
    """The server's own estimate of the rows kept: 12,020 came where 50 were expected."""
    found = judged(valley, f"select count(*), max(m.dish) {OF_HUT}")
    *made, query = two_steps(first(found).subject, found.capture)[0].sql_trial
    with valley.transaction(force_rollback=True):
        for statement in made:
            valley.execute(statement.encode())
        mended = judged(valley, query)

    assert [f.code for f in found.findings][:1] == ["cross_table_correlation"]
    assert mended.findings == ()


def test_the_keys_value_stands_beside_its_filter(valley: Connection) -> None:
    """The look-up gives the value, the new text the same rows, and the server then expects about what comes."""
    query = f"select count(*), max(m.dish) {OF_HUT}"
    asked = look_up(query, "h", "hut", {"name"})
    assert asked is not None
    ((value,),) = rows(valley, asked)
    known = capture(valley, query).model_copy(
        update={"key_values": (KeyValue(alias="h", column="hut", table="huts", schema_name=None, value=str(value)),)}
    )
    (draft,) = BY_CODE["cross_table_correlation"].remedy(SUBJECT, known)

    assert draft.sql == (asked, *draft.sql_trial)
    assert draft.sql[1].endswith("WHERE h.name = 'hut 11' AND h.hut = 11")
    assert rows(valley, draft.sql[1]) == rows(valley, query)
    assert judged(valley, draft.sql[1]).findings == ()


def test_a_value_beside_another_filter_is_no_first_answer(valley: Connection) -> None:
    """The server takes the value and the other side's own filter for independent; the rows kept it has counted."""
    query = (
        "select m.dish from huts h join stays s using (hut) join meals m using (stay)"
        " where h.name = 'hut 11' and s.stay % 10 < 6"
    )
    known = capture(valley, query).model_copy(
        update={"key_values": (KeyValue(alias="h", column="hut", table="huts", schema_name=None, value="11"),)}
    )
    (draft,) = BY_CODE["cross_table_correlation"].remedy(SUBJECT, known)

    assert draft.sql_trial[0].startswith("CREATE TEMPORARY TABLE")
    assert rows(valley, *draft.sql_trial) == rows(valley, query)
    written = with_value(query, "h", "hut", {"name"}, "11", number=True)
    assert written is not None
    assert "USING (hut)" in written
    assert rows(valley, written) == rows(valley, query)


def test_a_key_that_repeats_needs_statistics_beside_its_value(valley: Connection) -> None:
    """The filter implies the key, and the server takes the two for independent unless statistics hold both."""
    query = (
        "select m.dish from stays s join meals m on m.stay = s.stay join stays t on t.hut = s.hut"
        " where s.stay < 20000 and s.name = 'guest 1' and t.stay = 7 and s.month = 1"
    )
    known = capture(valley, query).model_copy(
        update={"key_values": (KeyValue(alias="s", column="hut", table="stays", schema_name=None, value="11"),)}
    )
    (draft,) = key_value(Subject(keys=(("s", "hut"),)), known)

    assert [statement.split(" ")[:2] for statement in draft.sql_trial] == [
        ["CREATE", "STATISTICS"],
        ["ANALYZE", "public.stays"],
        ["SELECT", "m.dish"],
    ]
    assert draft.undo == (draft.sql[0].split(" (")[0].replace("CREATE", "DROP"),)
    with valley.transaction(force_rollback=True):
        for statement in draft.sql_trial[:-1]:
            valley.execute(statement.encode())


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("select 1 from huts h join stays s on s.hut = h.hut where h.name = $1", None),
        ("select 1 from huts h left join stays s on s.hut = h.hut where h.name = 'a'", None),
        ("select 1 from huts h join stays s on s.hut = h.hut where h.name = (select max(name) from huts)", None),
        ("select 1 from huts h join stays s on s.hut = h.hut where random() < 0.5", None),
        ("with h as (select 1) select 1 from huts h join stays s on s.hut = h.hut where h.name = 'a'", None),
        (
            "select 1 from \"Huts\" h, stays s where s.hut = h.hut and (name = 'a' and h.valley < 3 or name = 'b')",
            "SELECT DISTINCT h.hut::pg_catalog.text FROM \"Huts\" h WHERE (name = 'a' AND h.valley < 3) OR name = 'b'"
            " LIMIT 2",
        ),
    ],
)
def test_only_a_filter_of_plain_conditions_is_asked_for_its_keys(query: str, expected: str | None) -> None:
    assert look_up(query, "h", "hut", {"name", "valley"}) == expected


def test_a_value_is_a_constant_whatever_stands_in_it() -> None:
    query = "select 1 from huts h join stays s on s.name = h.name where h.valley = 3"
    written = with_value(query, "h", "name", {"valley"}, "o'clock'; drop table huts --", number=False)

    assert written == (
        "SELECT 1 FROM huts h JOIN stays s ON s.name = h.name WHERE h.valley = 3"
        " AND h.name = 'o''clock''; drop table huts --'"
    )
    assert with_value(query, "h", "hut", {"valley"}, "3 or true", number=True) is None


def test_without_a_catalog_nothing_is_written() -> None:
    assert two_steps(SUBJECT, Capture(name="huts", query=f"select 1 {OF_HUT}")) == ()
