"""A sweep and a trial on a live server with canaries in its rows, its queries and its errors: none comes out masked."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cli.running import rowreckon, rowreckon_long
from tests.servers.databases import fresh_database, run_script

WORD = "Zirbelkanari"
NUMBER = 918273645
TABLES = f"""
create table guests(id int primary key, note text, kind text);
insert into guests select i, case when i % 10 = 0 then '{WORD}' else 'other' || i end, '{WORD}'
  from generate_series(1, 20000) i;
create table stays(guest_id int, night int);
insert into stays select 1 + i % 20000, i from generate_series(1, 300000) i;
create index on stays(guest_id);
create function told() returns int language plpgsql as
  $$ begin raise exception 'the guest is {WORD} and no other, number {NUMBER}'; end $$;
analyze;
"""
LIST = f"""
-- name: told
select told() /* {WORD} */;
-- name: cast
select '{WORD}'::int;
-- name: computed
select count(*) from guests g join stays s on s.guest_id = g.id
where g.kind || '{WORD}x' = '{WORD}{WORD}x';
-- name: pattern
select count(*) from guests g join stays s on s.guest_id = g.id where g.kind like '{WORD}%' and s.night < {NUMBER};
"""
REPORTS = ("r.html", "r.md", "r.json", "r.xml")


@pytest.fixture(scope="module")
def house(server: str) -> Iterator[str]:
    with fresh_database(server) as dsn:
        run_script(dsn, TABLES)
        yield dsn


@pytest.fixture
def queries(tmp_path: Path) -> Path:
    path = tmp_path / "queries.sql"
    path.write_text(LIST, "utf-8")
    return path


def _reports(folder: Path) -> list[str]:
    return [part for name in REPORTS for part in ("--report", str(folder / name))]


def _leaks(out: str, err: str, folder: Path) -> list[str]:
    texts = {"out": out, "err": err}
    texts |= {str(p): p.read_text("utf-8") for p in folder.rglob("*") if p.is_file() and p.suffix != ".sql"}
    signs = (WORD.lower(), str(NUMBER), f"{NUMBER:,}")
    return [name for name, text in texts.items() if any(sign in text.lower() for sign in signs)]


@pytest.mark.parametrize("form", ["terminal", "json"])
def test_a_masked_sweep_lets_none_out(house: str, queries: Path, tmp_path: Path, form: str) -> None:
    """Errors that quote values, or say them in words of their own, stay out of reports and captures alike."""
    arguments = ("sweep", str(queries), "--dsn", house, "--allow-volatile", "--format", form, *_reports(tmp_path))
    plain = rowreckon(*arguments)
    assert f"the guest is {WORD}" in plain.stdout + plain.stderr
    for name in REPORTS:
        (tmp_path / name).unlink()
    masked = rowreckon(*arguments, "--mask", "--save", str(tmp_path / "saved"))

    assert "22P02" in masked.stdout + masked.stderr
    assert len(list((tmp_path / "saved").iterdir())) == 4
    assert _leaks(masked.stdout, masked.stderr, tmp_path) == []


@pytest.mark.parametrize("place", [[], ["--in-place"]], ids=["copy", "in place"])
def test_a_masked_trial_lets_none_out(house: str, queries: Path, tmp_path: Path, place: list[str]) -> None:
    """Names of what it made, statements that it ran, and what came of it: all told without the literals."""
    queries.write_text(LIST[LIST.index("-- name: computed") :], "utf-8")
    done = rowreckon_long("trial", str(queries), "--dsn", house, "--yes", "--mask", *place, *_reports(tmp_path))
    report = (tmp_path / "r.json").read_text("utf-8")

    assert "CREATE STATISTICS" in report, done.stderr
    assert (
        '"verdict": "helped"' in report or '"verdict": "no_effect"' in report or '"verdict": "inconclusive"' in report
    )
    assert "***" in report
    assert _leaks(done.stdout, done.stderr, tmp_path) == []
