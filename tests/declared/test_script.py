"""Files taken apart into statements: quotes, rows of COPY, psql's commands, and how much is scanned."""

from __future__ import annotations

import pytest

from rowreckon.declared import script
from rowreckon.declared.script import parts
from rowreckon.sql.grammar import Token, scan

ROWS = "COPY t (a, b) FROM stdin;\n1\tit's\n2\t\\N ; drop\n\\.\n"


def texts(text: str) -> list[str]:
    """The parts' texts."""
    return [part.text for part in parts(text)]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("select 1; select 2", ["select 1", "select 2"]),
        ("-- a; b\nselect ';', $x$;$x$, \";\" /* ; */;\n", ["select ';', $x$;$x$, \";\" /* ; */"]),
        (";;\n ;select 1;;", ["select 1"]),
        ("\\restrict x'y\nselect 1;\n\\unrestrict x'y\n", ["\\restrict x'y", "select 1", "\\unrestrict x'y"]),
        (ROWS + "select 3;", ["COPY t (a, b) FROM stdin", "select 3"]),
        (ROWS.replace("\n", "\r\n") + "select 3;", ["COPY t (a, b) FROM stdin", "select 3"]),
        ("select e'\\'; \\\\ ';select '\\';", ["select e'\\'; \\\\ '", "select '\\'"]),
        ("create function f() returns int begin atomic select 1; end; select 2;",
         ["create function f() returns int begin atomic select 1; end", "select 2"]),
        ("", []),
        ("-- nothing\n/* at all */", []),
    ],
)  # fmt: skip
def test_statements(text: str, found: list[str]) -> None:
    """Each statement, command of psql and COPY by itself (psql's own rules, the manual, "psql")."""
    assert texts(text) == found


def test_lines_are_told() -> None:
    """Each part begins where an editor shows it."""
    found = [(p.line, p.text) for p in parts("\n\nselect 1;\n" + ROWS + "\n\\connect x\n  select\n2;")]

    assert found == [(3, "select 1"), (4, "COPY t (a, b) FROM stdin"), (9, "\\connect x"), (10, "select\n2")]


@pytest.mark.parametrize("opening", ["'", '"', "$body$", "/*", "e'"])
def test_what_never_ends_hides_nothing_before_it(opening: str) -> None:
    """A quote without an end spoils the statement that it stands in, and what follows."""
    found = list(parts(f"create table a ();\ncreate table b ({opening} int);\ncreate table c ();"))

    assert found[0].text == "create table a ()"
    assert found[-1].trouble is not None or found[-1].text.startswith("create table b")
    assert len(found) == 2


def scanned(text: str, monkeypatch: pytest.MonkeyPatch) -> int:
    """How many characters the scanner was given for a file."""
    given: list[int] = []

    def counting(piece: str) -> tuple[Token, ...]:
        given.append(len(piece))
        return scan(piece)

    with monkeypatch.context() as patched:
        patched.setattr(script, "scan", counting)
        for _ in parts(text):
            pass
    return sum(given)


@pytest.mark.parametrize(
    "unit",
    [
        "create table a (b int);\n",
        "select '\\';\n",
        "\\a\n",
        ";\\a\n",
        "a;\\x\n",
        "copy a from stdin;\n\\.\n",
        "copy a from stdin;\n'\n\\N\n\\.\n",
        "'",
        "'a' \\\n",
        "select $a$\\$a$;\\b\n",
        "-- \\\n",
        "(",
        "$a$ ",
        "/*",
        "select '\\'' ;\\'\n",
        "create function f() begin atomic \\ ",
    ],
)
def test_scanning_follows_the_length(unit: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Four times the file is scanned over four times, whatever it holds; the windows are made small for small files."""
    short, long = unit * (4_000 // len(unit)), unit * (16_000 // len(unit))
    monkeypatch.setattr(script, "_FIRST_WINDOW", 128)
    monkeypatch.setattr(script, "_WIDEST", 512)
    monkeypatch.setattr(script, "_FREE", 4_000)
    one, four = scanned(short, monkeypatch), scanned(long, monkeypatch)

    assert four <= 6 * one + 4_000
