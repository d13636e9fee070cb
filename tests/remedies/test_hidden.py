"""What is advised where statistics are hidden: what the server says of the operators, and no statement that opens
data."""

from __future__ import annotations

import psycopg

from rowreckon.capture import Capture
from rowreckon.remedies import checks
from rowreckon.remedies.hidden_statistics import let_statistics_be_used
from rowreckon.remedies.subject import Subject, TableName


def test_the_check_tells_which_operators_are_leakproof(database: str) -> None:
    """By pg_proc.proleakproof of the server: = of text is, LIKE is not; a varchar column is compared as text."""
    table = TableName("hut_notes", "public")
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute("create table hut_notes(guest int, note varchar(40))")
        try:
            found = connection.execute(checks.leakproof_operators(table, ("note",)).encode()).fetchall()
        finally:
            connection.execute("drop table hut_notes")
    leakproof = {(column, operator): mark for column, operator, _, mark in found}

    assert leakproof["note", "=(text,text)"] is True
    assert leakproof["note", "~~(text,text)"] is False
    assert {column for column, _ in leakproof} == {"note"}


def test_the_advice_holds_no_statement() -> None:
    (advice,) = let_statistics_be_used(Subject(table=TableName("hut_notes"), columns=("note",)), Capture(name="notes"))

    assert (advice.sql, advice.sql_trial, advice.undo) == ((), (), None)
    assert "LEAKPROOF" in advice.reason
    assert any("errors" in caution for caution in advice.cautions)
    assert let_statistics_be_used(Subject(), Capture(name="notes")) == ()
