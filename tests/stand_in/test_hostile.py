"""Facts from a file that means harm: no code of it runs, no disk fills, and each refusal is one sentence."""

from __future__ import annotations

import json
import os
import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rowreckon.errors import BrokenPlan, StatementFailed, StatementRefused
from rowreckon.server.connecting.connection import connected
from rowreckon.server.own.rundir import cache_folder
from rowreckon.server.stand_in import home
from rowreckon.server.stand_in.planning import explainable
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.sql.grammar import parse
from rowreckon.stand_in.definitions import definitions
from rowreckon.stand_in.facts import StandInFacts, stand_in_facts
from tests.servers.databases import fresh_database

from .test_same_plans import build, facts_of

SCRIPT = """
create schema trail;
create type trail.surface as enum ('rock', 'snow');
create domain trail.steps as int;
create function trail.fee(int) returns int language plpgsql immutable as 'begin return $1 * 2; end';
create table trail.path (id int primary key, surface trail.surface, steps trail.steps, length int,
  constraint long check (length > 0));
create index path_length on trail.path (length) where id > 3;
create view trail.rocky as select * from trail.path where surface = 'rock';
alter table trail.path enable row level security;
create policy shown on trail.path using (length > 0);
insert into trail.path select i, 'rock', i, i from generate_series(1, 2000) i;
vacuum analyze trail.path;
"""
QUERY = "select * from trail.rocky where trail.fee(id) > 3"


@pytest.fixture(scope="module")
def document(server: str) -> Iterator[dict[str, Any]]:
    """Facts of a small database as they stand in a file."""
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, SCRIPT)
        with connected(dsn) as source:
            yield json.loads(facts_of(source, [QUERY]).model_dump_json(by_alias=True))


def changed(document: dict[str, Any], change: Callable[[dict[str, Any]], None]) -> StandInFacts:
    """The facts after a change to their document."""
    copy = json.loads(json.dumps(document))
    change(copy)
    return stand_in_facts(json.dumps(copy))


TEXTS: dict[str, tuple[str, str, str]] = {
    "a type that ends the statement": ("columns", "type", "int); drop table trail.path; --"),
    "a type with a default": ("columns", "type", "int default pg_sleep(5)"),
    "an index on another statement": ("indexes", "definition", "drop table trail.path"),
    "an index with a query in it": (
        "indexes",
        "definition",
        "create index x on trail.path ((select 1))",
    ),
    "a key with a second command": ("constraints", "definition", "CHECK (true), drop column id"),
    "a check with a query in it": ("constraints", "definition", "CHECK ((select true))"),
    "arguments with a body": ("functions", "arguments", "int) returns int language sql as 'select 1'; --"),
    "a result with a language": ("functions", "result", "int language sql as 'select 1' --"),
    "a view that writes": ("relations", "view", "with x as (delete from trail.path returning *) select * from x"),
    "a view with a second statement": ("relations", "view", "select 1; drop table trail.path"),
    "a policy that ends the statement": ("policies", "using", "true); drop table trail.path; --"),
    "a policy that writes": (
        "policies",
        "using",
        "exists (with x as (delete from trail.path returning *) select from x)",
    ),
    "a view into a table": ("relations", "view", "select 1 into trail.other"),
}


@pytest.mark.server
@pytest.mark.parametrize("case", TEXTS.values(), ids=TEXTS.keys())
def test_a_text_that_is_more_than_it_should_be(document: dict[str, Any], case: tuple[str, str, str]) -> None:
    """No statement is made of it, and what was refused is named."""
    part, key, text = case

    def change(copy: dict[str, Any]) -> None:
        for row in copy[part]:
            if row.get(key) is not None:
                row[key] = text

    made, refused = definitions(changed(document, change))

    assert refused
    assert not any(word in each.text.lower() for each in made for word in ("drop", "sleep", "delete", " into "))


@pytest.mark.server
def test_names_are_only_names(document: dict[str, Any]) -> None:
    """Quotes in a name stay in the name."""

    def change(copy: dict[str, Any]) -> None:
        copy["relations"][0]["name"] = 'x"; drop table "trail'
        copy["columns"][0]["name"] = 'y" int); drop table trail.path; --'

    made, _ = definitions(changed(document, change))
    table = next(each.text for each in made if each.step == "table")
    assert table.startswith('CREATE TABLE trail."x""; drop table ""trail" ("y"" int); drop table trail.path; --" int')


@pytest.mark.server
def test_sizes_beyond_reason(document: dict[str, Any]) -> None:
    """A page count that no relation has, and more pages together than a stand-in takes, are refused."""

    def one(copy: dict[str, Any]) -> None:
        copy["relations"][0]["pages"] = 2**60

    def many(copy: dict[str, Any]) -> None:
        for number in range(3):
            copy["relations"].append({**copy["relations"][0], "oid": 90000 + number, "name": f"t{number}"})
            copy["relations"][-1]["pages"] = 2**32 - 1

    with pytest.raises(BrokenPlan, match="relations > 0 > pages") as refused:
        changed(document, one)
    assert "\n" not in refused.value.sentence()
    with pytest.raises(BrokenPlan, match="pages together"):
        changed(document, many)


def written(folder: Path) -> int:
    """Bytes on disk of all files below a folder."""
    return sum(path.lstat().st_blocks * 512 for path in folder.rglob("*") if path.is_file())


OWN_CACHE = cache_folder() / f"hostile-{os.getpid()}"
"""Stand-ins of these tests live apart from those of tests that run at the same time."""


@pytest.fixture(autouse=True)
def _own_cache(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(home, "cache_folder", lambda: OWN_CACHE)
    yield
    shutil.rmtree(OWN_CACHE, ignore_errors=True)


def runs() -> set[Path]:
    """The folders of throw-away servers."""
    return set((OWN_CACHE / "servers").glob("run-*"))


@pytest.mark.server
def test_a_terabyte_takes_no_room_and_nothing_stays(document: dict[str, Any]) -> None:
    """A table of 1 TB: its scan is priced so, less than 50 MB are on disk, and afterwards there is no folder."""

    def change(copy: dict[str, Any]) -> None:
        table = next(r for r in copy["relations"] if r["kind"] == "r")
        table["pages"] = 2**27
        table["relpages"] = 2**27

    facts = changed(document, change)
    before = runs()
    with stand_in(facts) as there:
        mine = runs() - before
        assert len(mine) == 1
        assert written(next(iter(mine))) < 50_000_000
        plan = there.planner.plan("select * from trail.path", {"max_parallel_workers_per_gather": "0"})["Plan"]
        assert plan["Total Cost"] > 2**27

    assert not (runs() & mine)


@pytest.mark.server
def test_no_code_of_the_file_runs(document: dict[str, Any], tmp_path: Path) -> None:
    """A check that would write a file, run as rows are put in, has no right to; the stand-in says what it lacks."""
    tmp_path.chmod(0o777)
    target = tmp_path / "written"

    def change(copy: dict[str, Any]) -> None:
        call = f"lo_export(lo_from_bytea(0, 'x'), '{target}') = 1"
        for row in copy["constraints"]:
            if row["type"] == "c":
                row["definition"] = f"CHECK ({call})"

    facts = changed(document, change)
    with stand_in(facts) as there:
        assert any("path" in each for each in there.without)
        there.planner.plan("select * from trail.path", {})

    assert not target.exists()


@pytest.mark.server
def test_a_function_is_a_stub(document: dict[str, Any]) -> None:
    """Its body is nowhere in the facts; a plan that needs its result is refused, others are planned."""
    assert "* 2" not in json.dumps(document)
    with stand_in(stand_in_facts(json.dumps(document))) as there:
        assert there.without == ()
        there.planner.plan(QUERY, {})
        with pytest.raises(StatementFailed, match=r"not comparable: the planner runs trail\.fee"):
            there.planner.plan("select * from trail.path where id = trail.fee(3)", {})


@pytest.mark.parametrize(
    "text",
    [
        "explain analyze select 1",
        "select 1; select 2",
        "drop table trail.path",
        "copy trail.path to program 'true'",
        "do $$ begin end $$",
        "set role postgres",
        "create table x as select 1",
        "select 1 into x",
        "prepare x as select 1",
        "",
        "no sql",
    ],
)
def test_only_one_plain_statement_is_planned(text: str) -> None:
    """Anything else is refused before it reaches the server."""
    with pytest.raises(StatementRefused) as refused:
        explainable(text)
    assert "\n" not in refused.value.sentence()


@pytest.mark.server
def test_a_statement_with_parameters_is_planned_without_values(document: dict[str, Any]) -> None:
    """Its plan is the generic one, where the release can make it by itself."""
    with stand_in(stand_in_facts(json.dumps(document))) as there:
        assert "$1" in str(there.planner.plan("select * from trail.path where id = $1", {}))


@pytest.mark.server
def test_statements_are_planned_and_never_run(document: dict[str, Any]) -> None:
    """A statement that would write, or never end, is planned; afterwards the table holds what it held."""
    with stand_in(stand_in_facts(json.dumps(document))) as there:
        for text in ("delete from trail.path", "select pg_sleep(3600) from trail.path"):
            assert there.planner.plan(text, {})["Plan"]["Node Type"]
        with pytest.raises(StatementFailed, match="permission denied"):
            there.planner.plan("select * from pg_authid", {})


def spoiled(value: Any, dice: random.Random) -> Any:
    """The document with one thing in it changed: a value of another type or size, a key gone, an entry twice."""
    if isinstance(value, dict) and value:
        key = dice.choice(sorted(value))
        if dice.random() < 0.1:
            return {k: v for k, v in value.items() if k != key}
        return {**value, key: spoiled(value[key], dice)}
    if isinstance(value, list) and value:
        at = dice.randrange(len(value))
        if dice.random() < 0.1:
            return [*value, value[at]]
        return [*value[:at], spoiled(value[at], dice), *value[at + 1 :]]
    if isinstance(value, str) and dice.random() < 0.5:
        return value[: dice.randrange(len(value) + 1)] + dice.choice(["", '"', "'", "(", ";", "\x01", "é", "}"])
    return dice.choice([None, True, -1, 0, 2**31, 2**62, 1e99, "", "x", [], {}, [[None]], "{1,2}", "select 1"])


@pytest.mark.server
def test_spoiled_facts_end_in_a_sentence(document: dict[str, Any]) -> None:
    """Each changed document is refused in one sentence, or gives statements that the grammar reads."""
    dice = random.Random(20)
    refused: list[str] = []
    for _ in range(400):
        try:
            made, left_out = definitions(stand_in_facts(json.dumps(spoiled(document, dice))))
        except BrokenPlan as error:
            refused.append(error.sentence())
            continue
        assert len(made) + len(left_out) > 3
        for each in made:
            assert len(parse(each.text).stmts) == 1

    assert 50 < len(refused) < 350
    assert not any("\n" in sentence for sentence in refused)


@pytest.mark.server
def test_spoiled_facts_on_a_server(document: dict[str, Any]) -> None:
    """Whatever could be read is built, or said to be impossible in a sentence; each changed value is far off."""

    def change(copy: dict[str, Any]) -> None:
        for row in copy["indexes"]:
            row["method"], row["reltuples"] = "brin", 1e30
        for row in copy["statistics"]:
            row["bounds"], row["width"], row["number"] = "{x,{", 2e9, 1
        for row in copy["ends"]:
            row["low"] = "no number"

    with stand_in(changed(document, change)) as there:
        assert there.planner.plan("select * from trail.path", {})
        assert len(there.without) >= 2
