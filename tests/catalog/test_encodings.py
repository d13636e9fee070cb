"""Databases of other encodings and other collations, with names that are not ASCII: right, or refused in a sentence."""

from __future__ import annotations

import contextlib
import json
import subprocess
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

from rowreckon.catalog.program import facts_program
from rowreckon.catalog.request import Trust
from tests.cli.running import rowreckon
from tests.reading.psql import psql_program
from tests.servers.fixtures import Servers


@dataclass(frozen=True)
class Case:
    """A database: its encoding, the encoding of the client that made its tables, a word of its language."""

    encoding: str
    client: str
    word: str
    more: str = ""
    told: bool = True
    """Whether its facts are told; else the refusal is."""


CASES = {
    "LATIN1": Case("LATIN1", "UTF8", "hütte"),
    "LATIN2": Case("LATIN2", "UTF8", "chatař"),
    "EUC_JP": Case("EUC_JP", "UTF8", "山小屋"),
    "KOI8R": Case("KOI8R", "UTF8", "хижина"),
    "UTF8, ICU": Case("UTF8", "UTF8", "hütte😀", "locale_provider icu icu_locale 'de-u-co-phonebk'"),
    "SQL_ASCII, as UTF8": Case("SQL_ASCII", "UTF8", "hütte", told=False),
    "SQL_ASCII, as LATIN1": Case("SQL_ASCII", "LATIN1", "hütte", told=False),
    "SQL_ASCII, in ASCII": Case("SQL_ASCII", "UTF8", "hut"),
}


@contextlib.contextmanager
def database(server: str, case: Case) -> Iterator[str]:
    """A database of the case, with two tables whose names, columns and values are in its language."""
    name = f"rr_encoding_{uuid.uuid4().hex[:8]}"
    with psycopg.connect(server, autocommit=True) as admin:
        locale = "" if case.more else "lc_collate 'C' lc_ctype 'C'"
        create = f"create database {{}} template template0 encoding {{}} {locale} {case.more}"
        admin.execute(sql.SQL(create).format(sql.Identifier(name), sql.Literal(case.encoding)))
        dsn = make_conninfo(server, dbname=name)
        try:
            with connect(dsn, case) as session:
                for statement in TABLES:
                    session.execute(statement.replace("hut", case.word).encode(case.client))
            yield dsn
        finally:
            admin.execute(sql.SQL("drop database {} with (force)").format(sql.Identifier(name)))


def connect(dsn: str, case: Case) -> psycopg.Connection[Any]:
    """A session in the client's encoding."""
    return psycopg.connect(dsn, client_encoding=case.client, autocommit=True)


TABLES = (
    'create table "hut" ("hut_id" int primary key, name text)',
    """insert into "hut" select i, 'hut ' || i % 9 from generate_series(1, 500) i""",
    'create table stays (id int, "hut_id" int)',
    "insert into stays select i, 1 from generate_series(1, 4000) i",
    'create index "hut_index" on stays("hut_id")',
    'analyze "hut"',
)
QUERY = """select count(*) from stays s join "hut" h on s."hut_id" = h."hut_id" where h.name = 'hut 1'"""


@pytest.fixture(
    scope="module", params=[pytest.param(name, marks=pytest.mark.matrix if CASES[name].more else []) for name in CASES]
)
def case(request: pytest.FixtureRequest) -> Case:
    """Each in turn."""
    return CASES[request.param]


@pytest.fixture(scope="module")
def plan(
    server: str, servers: Servers, case: Case, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, Path]]:
    """The database's DSN and a file with a plan of the query, in UTF-8 as a browser or an editor saves it."""
    # the embedded server is built without ICU
    with database(servers(17).dsn if case.more else server, case) as dsn:
        with connect(dsn, case) as session:
            query = QUERY.replace("hut", case.word)
            explain = f"explain (analyze, verbose, format text) {query}".encode(case.client)
            lines = [row[0] for row in session.execute(explain).fetchall()]
        path = tmp_path_factory.mktemp("encoding") / "plan.txt"
        path.write_text("\n".join(lines), encoding="utf-8")
        yield dsn, path


def relations(document: str) -> set[str]:
    """The relations whose facts an audit was given, from its saved captures."""
    folder = Path(document)
    catalogs = [json.loads(file.read_text())["catalog"] for file in folder.iterdir()]
    return {relation["name"] for catalog in catalogs if catalog for relation in catalog["relations"]}


@pytest.mark.parametrize("terminal", ["UTF8", "the database's"])
def test_a_colleague_is_asked(plan: tuple[str, Path], case: Case, tmp_path: Path, terminal: str) -> None:
    """The script's answer is read to the same names, whatever the colleague's terminal is set to; or psql says why."""
    dsn, path = plan
    shown = case.encoding if terminal != "UTF8" else terminal
    script, answer = tmp_path / "ask.sql", tmp_path / "answer.txt"
    assert rowreckon("ask", str(path), "-o", str(script)).returncode == 0
    done = subprocess.run(
        [psql_program(), "-X", "-d", make_conninfo(dsn, client_encoding=shown), "-f", script, "-o", answer],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if not case.told:
        assert done.returncode != 0
        assert "the plans hold characters that can't be told in this database" in done.stderr
        assert "whose encoding is SQL_ASCII" in done.stderr
        return
    assert done.returncode == 0, done.stderr
    audited = rowreckon("audit", str(path), "--facts", str(answer), "--save", str(tmp_path / "saved"))
    assert audited.returncode == 0, audited.stderr
    assert relations(str(tmp_path / "saved")) == {"stays", case.word}


def test_a_server_at_hand(plan: tuple[str, Path], case: Case, tmp_path: Path) -> None:
    """Facts of a connection, and a sweep of a list: the names come out as they are, or a sentence says why not."""
    dsn, path = plan
    audited = rowreckon("audit", str(path), "--dsn", dsn, "--save", str(tmp_path / "saved"))
    queries = tmp_path / "list.sql"
    queries.write_text(QUERY.replace("hut", case.word) + ";\n", encoding="utf-8")
    swept = rowreckon("sweep", str(queries), "--dsn", dsn, "--save", str(tmp_path / "swept"))
    for done in (audited, swept):
        assert done.returncode in ((0,) if case.told else (0, 2)), done.stderr
        assert "Traceback" not in done.stderr
    if case.told:
        assert relations(str(tmp_path / "saved")) == relations(str(tmp_path / "swept")) == {"stays", case.word}


def test_a_character_that_the_database_has_not(server: str, tmp_path: Path) -> None:
    """A plan from elsewhere compares with what LATIN1 can't write: one sentence, from psql and over a connection."""
    latin = CASES["LATIN1"]
    with database(server, latin) as dsn:
        path = tmp_path / "plan.txt"
        path.write_text(
            "Seq Scan on stays s  (cost=0.00..1.00 rows=1 width=4) (actual time=0.1..0.2 rows=9 loops=1)\n"
            "  Filter: (name = '山小屋'::text)\n",
            encoding="utf-8",
        )
        script = tmp_path / "ask.sql"
        assert rowreckon("ask", str(path), "-o", str(script)).returncode == 0
        asked = subprocess.run(
            [psql_program(), "-X", "-d", dsn, "-f", script], capture_output=True, text=True, check=False
        )
        assert asked.returncode != 0
        assert "whose encoding is LATIN1" in asked.stderr
        audited = rowreckon("audit", str(path), "--dsn", dsn)
        assert audited.returncode == 2
        assert "Traceback" not in audited.stderr
        assert "LATIN1" in audited.stderr


@pytest.mark.parametrize("trust", ["file", "own_list"])
def test_the_program_itself_is_ascii(trust: Trust) -> None:
    """Every server encoding holds ASCII (PostgreSQL's manual, "Character Set Support"), and no more than that."""
    assert facts_program(trust).isascii()
