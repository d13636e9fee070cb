"""Queries written another way: only shapes that are proven equal, and a live server says that they are."""

from __future__ import annotations

import psycopg
import pytest

from rowreckon.catalog.facts import Column, Relation
from rowreckon.remedies.rewriting import LEAKS_BY_EQUALITY, as_prefix, asked_whether_true
from rowreckon.remedies.subject import Subject, TableName
from rowreckon.server.trials.rewritten import comparison

COLUMNS = {
    "name": "character varying(40)",
    "note": "text",
    "bed": "integer",
    "code": "character(8)",
    "fee": "numeric(8,2)",
}
SUBJECT = Subject(
    table=TableName("guests", "public"),
    relation=Relation.model_construct(
        oid=1,
        schema_="public",
        name="guests",
        kind="table",
        columns=tuple(
            Column.model_construct(name=name, type=type_, attnum=number)
            for number, (name, type_) in enumerate(COLUMNS.items(), start=1)
        ),
    ),
    columns=tuple(COLUMNS),
    alias="g",
)
SETUP = """
create temporary table guests(name varchar(40), note text, bed int, code char(8));
insert into guests select n, n, b, n::char(8) from (values ('Late'), ('late'), ('lat'), ('late night'), ('late%'), (''),
  (null), ('a_b'), ('ab'), ('über'), ('überall'), ('late ')) as names(n), (values (1), (2), (null)) as beds(b)
"""


@pytest.mark.parametrize(
    ("condition", "written"),
    [
        ("g.name like 'late%'", "g.name ^@ 'late'"),
        ("name like 'über%%'", "name ^@ 'über'"),
        ("bed = 1 and g.note ~~ 'late n%'", "g.note ^@ 'late n'"),
        ("bed = 1 and (h.a = 1 and g.note like 'l%'::text)", "g.note ^@ 'l'"),
    ],
)
def test_a_pattern_with_one_wildcard_at_its_end_is_a_prefix(condition: str, written: str) -> None:
    found = as_prefix(f"select g.bed from guests g, (values (1)) h(a) where {condition}", SUBJECT)

    assert found is not None
    assert written in found.query


@pytest.mark.parametrize(
    "condition",
    [
        "g.name like '%late'",
        "g.name like 'la_e%'",
        "g.name like 'late\\%'",
        "g.name like 'late'",
        "g.name like '%'",
        "g.name like 'late %'",
        "g.name ilike 'late%'",
        "g.name not like 'late%'",
        "g.name like 'la!%' escape '!'",
        "g.code like 'la%'",
        "lower(g.name) like 'la%'",
        "g.name like 'la%' or g.bed = 1",
        "g.name like 'la%' and g.bed > 1",
        "g.name like g.note",
        "g.name like 'la%' limit 3",
        "exists (select from guests g where g.name like 'l%') and g.name like 'la%'",
        "g.name like 'la%' for update",
    ],
)
def test_any_other_shape_is_left_alone(condition: str) -> None:
    """Two conditions leave open which one errs, a limit which rows come; the other patterns say something else."""
    assert as_prefix(f"select * from guests g where {condition}", SUBJECT) is None


ASKED = [
    ("select * from guests g where bed > 1", "bed > 1"),
    ("select * from guests g where g.name not like '%ate' and bed = 1", "name NOT LIKE '%ate'"),
    ("select * from guests g join guests h on h.bed = g.bed and g.bed between 1 and 2", "bed BETWEEN 1 AND 2"),
    ("select g.* from guests h left join guests g on g.note < 'm' where h.bed = 1", "note < 'm'"),
    ("select (select count(*) from guests g where g.bed is null or g.bed > 1)", "bed IS NULL OR bed > 1"),
]


@pytest.mark.parametrize(("query", "condition"), ASKED)
def test_the_condition_and_its_columns_are_told(query: str, condition: str) -> None:
    """The condition over plain columns, for statistics on it. In the query it stands under IS TRUE."""
    found = asked_whether_true(query, SUBJECT)

    assert found is not None
    assert found.condition == condition
    assert found.columns == (condition.split()[0],)
    assert found.query.count("IS TRUE") == 1


@pytest.mark.parametrize("query", [query for query, _ in ASKED])
def test_a_condition_is_asked_whether_it_is_true(database: str, query: str) -> None:
    """The server counts no row that only one of the two texts gives."""
    found = asked_whether_true(query, SUBJECT)

    assert found is not None
    assert _differing(database, query, found.query) == 0


@pytest.mark.parametrize(
    "query",
    [
        "select * from guests g where lower(name) > 'a'",
        "select * from guests g where bed > (select min(bed) from guests)",
        "select * from guests g where bed > $1",
        "select * from guests g join guests h using (bed) where bed > 1",
        "select * from rooms g where bed > 1",
        "select * into late from guests g where bed > 1",
        "select * from guests g tablesample system (5) where bed > 1",
        "select * from guests g where bed > 1 offset 3",
        "select * from other.guests g where bed > 1",
        "with guests as (select 1 as bed) select * from guests g where bed > 1",
        "select * from guests g(a, b, c, d) where bed > 1",
        "update guests g set bed = 2 where bed > 1",
        "select 1; select * from guests g where bed > 1",
        "no query",
    ],
)
def test_no_condition_is_asked_for_that_could_mean_something_else(query: str) -> None:
    assert asked_whether_true(query, SUBJECT) is None


@pytest.mark.parametrize("text", ["late", "Late", "l", "a", "ü", "über", "late n", "x"])
@pytest.mark.parametrize("column", ["name", "note"])
def test_a_prefix_gives_the_rows_of_its_pattern(database: str, column: str, text: str) -> None:
    query = f"select * from guests g where g.{column} like '{text}%'"
    found = as_prefix(query, SUBJECT)

    assert found is not None
    assert _differing(database, query, found.query) == 0


def test_the_types_whose_equality_leaks_are_the_servers(database: str) -> None:
    """By pg_proc.proleakproof; pseudo-types and privileges apart, which no such filter compares."""
    with psycopg.connect(database) as connection:
        rows = connection.execute(
            "select format_type(oprleft, null) from pg_operator join pg_proc p on p.oid = oprcode"
            " where oprname = '=' and oprleft = oprright and oprresult = 16 and not proleakproof"
        ).fetchall()

    assert {name for (name,) in rows} - {"aclitem", "record"} == {
        *LEAKS_BY_EQUALITY, "anyarray", "anyenum", "anyrange", "anymultirange"
    }  # fmt: skip


def test_an_equality_that_leaks_is_asked_whether_it_is_true() -> None:
    """Of numeric, whose = is not leakproof, beside one of whole numbers, whose is."""
    found = asked_whether_true("select * from guests g where g.fee = 2.50 and g.bed = 1", SUBJECT)

    assert found is not None
    assert (found.condition, found.columns) == ("fee = 2.50", ("fee",))


def test_rows_that_only_one_text_gives_are_counted(database: str) -> None:
    """Each as often as it comes: 12 names under three beds, of which a union leaves one each."""
    every, once = "select name from guests", "select distinct name from guests order by 1"

    assert _differing(database, every, once) == 24
    assert _differing(database, once, every) == 24
    assert _differing(database, every, every) == 0
    assert comparison(every, "no query") is None


def _differing(database: str, one: str, other: str) -> int:
    text = comparison(one, other)
    assert text is not None
    with psycopg.connect(database) as connection:
        connection.execute(SETUP.encode())
        row = connection.execute(text.encode()).fetchone()
    assert row is not None
    return int(row[0])
