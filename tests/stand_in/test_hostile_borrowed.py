"""Extensions and foreign tables that mean harm: at the source no user's code runs, and a stand-in asks nobody."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rowreckon.errors import BrokenPlan
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.stand_in.definitions import definitions
from rowreckon.stand_in.facts import StandInFacts, stand_in_facts
from tests.servers.databases import fresh_database

from .test_same_plans import build, facts_of

SCRIPT = """
create extension citext;
create extension postgres_fdw;
create extension file_fdw;
create server far foreign data wrapper postgres_fdw options (host 'secret.harbour', fdw_startup_cost '130');
create user mapping for public server far options (user 'nobody', password 'hidden');
create foreign table far_log (boat int, note text) server far options (table_name 'secret_log');
create server here foreign data wrapper file_fdw;
create foreign table paper (boat int, note text) server here options (filename '/etc/services', format 'csv');
create table boat (id int primary key, name citext);
insert into boat select i, 'Boat ' || i from generate_series(1, 900) i;
create index boat_name on boat (name);
vacuum analyze boat;
"""
QUERY = "select * from far_log l join paper p on p.boat = l.boat join boat b on b.id = p.boat"

SNARE = """
create function public.touches() returns void language plpgsql as
  $$ begin copy (select 1) to program 'touch {mark}'; end $$;
create function public.marks(public.citext) returns public.citext language plpgsql immutable as
  $$ begin perform public.touches(); return $1; end $$;
alter extension citext add function public.marks(public.citext);
create table snared (id int primary key, name public.citext);
insert into snared select i, 'Boat ' || i from generate_series(1, 900) i;
analyze snared;
alter table snared add constraint fine check (id > 0 or public.marks('x') is not null);
alter table snared add column length int generated always as (length(name::text)) stored;
"""


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


@pytest.mark.server
def test_where_foreign_tables_lead_is_not_in_the_facts(document: dict[str, Any]) -> None:
    """Neither a host, nor a remote table, nor a file's name, nor who logs in."""
    text = json.dumps(document)
    assert "fdw_startup_cost" in text
    for secret in ("secret.harbour", "secret_log", "/etc/services", "nobody", "hidden"):
        assert secret not in text


@pytest.mark.server
def test_a_function_put_into_an_extension_is_a_users(server: str, tmp_path: Path) -> None:
    """The facts are read and it is not called; a plan of that table would, so the snare works."""
    tmp_path.chmod(0o777)
    for folder in tmp_path.parents[:3]:
        folder.chmod(folder.stat().st_mode | 0o011)
    mark = tmp_path / "mark"
    with fresh_database(server) as dsn, psycopg.connect(dsn, autocommit=True) as loading:
        build(loading, SCRIPT, SNARE.replace("{mark}", str(mark)))
        mark.unlink(missing_ok=True)
        with connected(dsn) as source:
            source.execute("set constraint_exclusion = on")
            facts = facts_of(source, ["select * from snared where name = 'boat 7'", QUERY])
        assert not mark.exists()
        loading.execute("set constraint_exclusion = on")
        loading.execute("explain select * from snared where id = 3")
        assert mark.exists()

    pages = {relation.name: relation.pages for relation in facts.relations}
    assert pages["snared"] > 0
    heights = {told.name for told in facts.heights}
    assert "boat_name" in heights
    assert "snared_pkey" not in heights


@pytest.mark.server
def test_a_server_that_would_be_asked_is_left_out(document: dict[str, Any]) -> None:
    """A table with estimates from a remote server is named and not made; options are only those that are known."""

    def ask(copy: dict[str, Any]) -> None:
        for row in copy["foreign"]:
            row["server_options"] = {"use_remote_estimate": "true", "host": "127.0.0.1"}

    _, refused = definitions(changed(document, ask))
    assert [each.what for each in refused] == ["the table far_log"]
    assert "does not ask" in refused[0].why

    def sneak(copy: dict[str, Any]) -> None:
        for row in copy["foreign"]:
            row["server"] = "x\" options (host 'y'); --"
            row["options"] = {"async_capable": "true'); drop table boat; --", "host": "127.0.0.1", "filename": "/x"}
            row["server_options"] = {"extensions": "citext, dblink, x'y"}

    facts = changed(document, sneak)
    made, _ = definitions(facts)
    tables = [each.text for each in made if "FOREIGN" in each.text]
    assert len(tables) == 2
    assert not any(word in text for text in tables for word in ("127.0.0.1", "drop", "'/x'"))
    with stand_in(facts) as there:
        assert there.planner.plan("select * from far_log", {})["Plan"]["Node Type"] == "Foreign Scan"


@pytest.mark.server
def test_files_beyond_reason_and_other_wrappers(document: dict[str, Any]) -> None:
    """A length that no disk holds, and a wrapper that is none of PostgreSQL's, are refused in one sentence."""

    def vast(copy: dict[str, Any]) -> None:
        copy["foreign_files"][0]["size"] = 2**60

    def other(copy: dict[str, Any]) -> None:
        copy["foreign"][0]["wrapper"] = "dblink_fdw"

    for change in (vast, other):
        with pytest.raises(BrokenPlan) as refused:
            changed(document, change)
        assert "\n" not in refused.value.sentence()
    odd = {"schema": "public", "name": "other", "oid": 99, "extension": "dblink"}
    made, _ = definitions(changed(document, lambda copy: copy["extension_types"].append(odd)))
    assert not any("dblink" in each.text for each in made)


@pytest.mark.server
def test_an_extension_that_is_not_here(document: dict[str, Any]) -> None:
    """Its columns stand as text, and both are named; the table is there all the same."""

    def nowhere(copy: dict[str, Any]) -> None:
        copy["server"]["extension_schemas"]["citext"] = "pg_nowhere"

    with stand_in(changed(document, nowhere)) as there:
        assert any("extension citext is not here" in each for each in there.without)
        assert any("boat.name is not here" in each for each in there.without)
        assert there.planner.plan("select * from boat", {})["Plan"]["Plan Rows"] == 900
