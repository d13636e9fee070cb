"""Splitting a query list, checked against the server's own idea of where statements end."""

from __future__ import annotations

import psycopg
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rowreckon.server.lists.querylist import QueryItem, read_query_list
from rowreckon.sql.statements import pieces

# Each is one statement for PostgreSQL, and a trap for whoever splits at semicolons (manual, 'Lexical Structure').
TRAPS = (
    "select 1",
    "select ';'",
    "select 'it''s; so'",
    r"select 'back\'",
    r"select E'it\'s; so', E'\\'",
    "select U&'d\\0061;'",
    'select 1 as "a;""b"',
    'select 1 as U&"d\\0061;"',
    "select $$a;b$$",
    "select $a$ $$;$$ ; $b$;$b$ $a$",
    "select $ünter$;$ünter$",
    "select 1 as a$b$c",
    "select 1 -- ; not yet\n + 1",
    "select /* a /* nested; */ ; */ 1",
    "select 'a;'\n  'b;'",
    "select b'01', x'1f', 1.5e3, .5, 1::int",
    "select (array[1,2,3])[2:3]",
    "select (select 1) where 1 = any (array[1])",
    "table pg_catalog.pg_am",
    "values (1, ';'), (2, '--')",
    "with a as (select 1) select * from a",
    "select 5 - -1, 5 -\n-1, '/*'",
)


def texts(items: tuple[QueryItem, ...]) -> list[str]:
    return [item.text for item in items]


@pytest.mark.parametrize("statement", TRAPS)
def test_each_trap_is_one_statement(statement: str, server: str) -> None:
    """The server takes the text as one statement in the extended protocol, and so does the splitter."""
    with psycopg.connect(server) as connection:
        connection.execute(statement.encode(), binary=True)

    items = read_query_list(f"{statement};\nselect 2;")
    assert texts(items) == [statement, "select 2"]
    assert [item.kind for item in items] == ["query", "query"]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    parts=st.lists(st.sampled_from(TRAPS), min_size=1, max_size=5),
    gap=st.sampled_from([";", " ;\n", ";;", "; -- x;\n", "/*;*/;"]),
)
def test_the_server_counts_as_many_statements(parts: list[str], gap: str, server: str) -> None:
    """A whole script gives one result for each statement that the splitter finds."""
    script = gap.join(parts)
    with psycopg.connect(server) as connection:
        cursor = connection.execute(script.encode())
        results = 1
        while cursor.nextset():
            results += 1

    assert results == len(read_query_list(script))


@given(st.text(alphabet=st.sampled_from(list("ab1$'\"\\-/*;()E&uU \n:.,éx")), max_size=60))
def test_pieces_come_in_order_and_as_written(text: str) -> None:
    """Whatever the text, each piece is a stretch of it, after the one before; what is between holds no statement."""
    at = 0
    for piece in pieces(text):
        assert piece.start >= at
        assert piece.text
        assert text.startswith(piece.text, piece.start)
        at = piece.start + len(piece.text)


@given(st.text(max_size=80))
def test_no_text_breaks_the_splitter(text: str) -> None:
    """Any text gives items with lines inside it."""
    for item in read_query_list(text):
        assert 1 <= item.line <= text.count("\n") + 1
        assert item.text


def test_names_and_lines() -> None:
    """A name belongs to the next query, past SET and PREPARE; others are named by their line."""
    items = read_query_list(
        "-- name: first one \nselect 1;\n\nselect 2;\n"
        "-- name: third\nset work_mem = '1MB';\nselect\n3;\n-- name: third\nselect 4"
    )
    assert [(item.name, item.line) for item in items] == [
        ("first one", 2),
        ("line 4", 4),
        ("third", 7),
        ("third (2)", 10),
    ]


def test_the_comment_below_a_name_is_kept() -> None:
    """What a comment says between the name and its query goes with the query, past SET."""
    items = read_query_list(
        "-- intro\n-- name: a\n-- one\nset work_mem = 1;\n-- two\nselect 1 -- no\n;\n-- x\nselect 2;"
    )
    assert [item.about for item in items] == ["one two", None]


def test_set_becomes_set_local_until_reset() -> None:
    """SET holds for the later queries, the last one of a name counts, RESET ends it."""
    items = read_query_list(
        "set work_mem = '1MB'; set session enable_hashjoin to off; select 1; SET WORK_MEM TO '2MB'; select 2;"
        "reset enable_hashjoin; select 3; set time zone 'UTC'; reset all; select 4; set role clerk; select 5"
    )
    assert [item.settings for item in items] == [
        ('SET LOCAL work_mem TO "1MB"', "SET LOCAL enable_hashjoin TO OFF"),
        ("SET LOCAL enable_hashjoin TO OFF", 'SET LOCAL work_mem TO "2MB"'),
        ('SET LOCAL work_mem TO "2MB"',),
        (),
        ("SET LOCAL role TO clerk",),
    ]


def test_execute_carries_its_prepare() -> None:
    """PREPARE goes before each EXECUTE of its name and before nothing else."""
    items = read_query_list(
        "prepare p(int) as select $1; execute p(1); select 1; execute q(2); deallocate p; execute p(3);"
        "prepare w as delete from huts; execute w"
    )
    assert [(item.kind, item.prepared) for item in items] == [
        ("execute", (("p", "prepare p(int) as select $1"),)),
        ("query", ()),
        ("unfit", ()),
        ("unfit", ()),
        ("write", (("w", "prepare w as delete from huts"),)),
    ]


@pytest.mark.parametrize(
    ("statement", "reason"),
    [
        ("insert into huts values (1)", "INSERT"),
        ("update huts set name = 'x'", "UPDATE"),
        ("delete from huts", "DELETE"),
        ("merge into huts using h on true when matched then do nothing", "MERGE"),
        ("with gone as (delete from huts returning *) select * from gone", "DELETE"),
        ("with gone as materialized (delete from huts returning *) select * from gone", "DELETE"),
        ("with a as (select 1) insert into huts select * from a", "INSERT"),
        ("select * into copy from huts", "INTO"),
        ("select * from huts for update", "lock"),
        ("select * from huts for no key update", "lock"),
        ("select * from huts for key share", "lock"),
    ],
)
def test_writes_are_told_apart(statement: str, reason: str) -> None:
    """Whatever changes or locks rows is a write, and the reason names it."""
    (item,) = read_query_list(statement)
    assert item.kind == "write"
    assert reason in (item.reason or "")


@pytest.mark.parametrize(
    ("statement", "reason"),
    [
        ("\\d huts", r"\d is a command of psql"),
        ("select 1 \\gset x", r"\gset is a command of psql"),
        ("select 'open", "never ends"),
        ("select /* open", "never ends"),
        ("begin", "transaction of its own"),
        ("explain select 1", "an EXPLAIN already"),
        ("copy huts to stdout", "COPY has no plan"),
        ("call restock()", "CALL has no plan"),
        ("do $$ begin end $$", "DO has no plan"),
        ("vacuum huts", "VACUUM has no plan"),
        ("create table t(a int)", "CREATE has no plan"),
        ("set transaction_read_only = off", "lift a guard"),
        ("set session characteristics as transaction read write", "lift a guard"),
        ("set session authorization admin", "lift a guard"),
        ("set statement_timeout = 0", "lift a guard"),
        ("set default_transaction_read_only = off", "lift a guard"),
        ("set transaction read write", "lift a guard"),
    ],
)
def test_what_cannot_be_run_says_why(statement: str, reason: str) -> None:
    """Psql commands, utilities and settings that would lift a guard are refused with a reason."""
    (item,) = read_query_list(statement)
    assert item.kind == "unfit"
    assert reason in (item.reason or "")


@pytest.mark.parametrize(
    "bad",
    ["select name name name from huts", "sel ect 1", "create temp table x " + "(" * 3_000 + ")" * 3_000, "select 1 +"],
)
def test_one_bad_statement_does_not_spoil_the_others(bad: str) -> None:
    """What the grammar can't read is an item with its reason; those around it are as they would be alone."""
    before, spoilt, after = read_query_list(f"select 1;\n{bad};\n-- name: b\nselect 2;")
    assert (before.kind, spoilt.kind, after.kind) == ("query", "unfit", "query")
    assert "can't be read as SQL" in (spoilt.reason or "")
    assert (after.name, after.line) == ("b", 4)


def test_a_body_of_sql_is_one_statement() -> None:
    """The semicolons between BEGIN ATOMIC and END, CASE … END among them, end no statement (as in psql)."""
    body = "create function f() returns int begin atomic select case when true then 1 end; select 2; end"
    assert texts(read_query_list(f"{body}; select 1")) == [body, "select 1"]


@pytest.mark.parametrize(
    "spelling",
    [
        'set "TRANSACTION_READ_ONLY" = off',
        r'set U&"transaction_read\005fonly" to off',
        "set /* a */ local -- b\n transaction_read_only = off",
        'set "SESSION_AUTHORIZATION" = warden',
        'reset "Statement_Timeout"',
        "set transaction isolation level serializable",
        "set constraints all deferred",
        "set names 'latin1'",
        "set standard_conforming_strings = off",
        'set "plv8.start_proc" = ring',
    ],
)
def test_no_spelling_lifts_a_guard(spelling: str) -> None:
    """The parser's name decides, however it was written."""
    (item,) = read_query_list(spelling)
    assert (item.kind, "lift a guard" in (item.reason or "")) == ("unfit", True)


def test_a_psql_command_does_not_take_the_next_line_with_it() -> None:
    """A psql command ends with its line, and the list goes on."""
    items = read_query_list("select 1;\n\\timing on\nselect 2;")
    assert [(item.line, item.kind) for item in items] == [(1, "query"), (2, "unfit"), (3, "query")]


@pytest.mark.parametrize(
    "statement", ["select substring('abc' from 1 for no) from t", "select a.key, merge.update from merge"]
)
def test_words_that_look_like_writes(statement: str) -> None:
    """Key words that serve as names don't make a write."""
    assert [item.kind for item in read_query_list(statement)] == ["query"]


def test_a_query_carries_a_hundred_settings_at_most() -> None:
    """Else a list of SETs would take memory by the square of its length; a RESET makes room again."""
    many = "".join(f"set huts.s{number} = {number};" for number in range(101))
    room = "set huts.s3 = 4; reset huts.s1; select 2; set huts.more = 1; select 3"
    refused, query, again, later = read_query_list(f"{many} select 1; {room}")
    assert (refused.kind, "RESET" in (refused.reason or "")) == ("unfit", True)
    assert [len(item.settings) for item in (query, again, later)] == [100, 99, 100]
