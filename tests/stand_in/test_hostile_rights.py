"""Facts that claim rights: no role of a file gets more on a stand-in than to see its tables, whatever it is called."""

from __future__ import annotations

import json
from typing import Any

import psycopg
import pytest

from rowreckon.errors import BrokenPlan, StatementFailed
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.stand_in.facts import stand_in_facts
from tests.servers.databases import fresh_database

from .test_same_plans import build, facts_of

SCRIPT = """
create table doors (id int primary key, tags text[] not null, name text);
insert into doors select i, array['tag' || i % 9], 'Door ' || i from generate_series(1, 3000) i;
create index doors_tags on doors using gin (tags);
alter table doors enable row level security;
create policy low on doors using (id < 10);
vacuum analyze doors;
"""
QUERY = "select * from doors where tags @> array['tag3']"
REACHING_OUT = ("pg_execute_server_program", "pg_read_server_files", "pg_write_server_files", "pg_signal_backend")
"""PostgreSQL's documentation, 'Predefined Roles'."""


@pytest.fixture(scope="module")
def document(server: str) -> dict[str, Any]:
    """Facts as they stand in a file, with roles that nobody should be given."""
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, SCRIPT)
        with connected(dsn) as source:
            found: dict[str, Any] = json.loads(facts_of(source, [QUERY]).model_dump_json(by_alias=True))
    names = ("postgres", "rowreckon_maker", "rowreckon_reader", 'x" superuser; --', "public", "none", "pg_monitor")
    found["roles"] = [
        {
            "name": name,
            "superuser": True,
            "bypasses": True,
            "member_of": [[each, True] for each in (*REACHING_OUT, "pg_read_all_data", "postgres", "rowreckon_maker")],
        }
        for name in names
    ]
    found["rights"][0]["owner"] = "postgres"
    found["rights"][0]["grants"] = [["postgres", "SELECT"], [None, "SELECT, INSERT"], ['x" superuser; --', "MAINTAIN"]]
    found["gin_counters"][0] |= {"pending_pages": 2**32 - 1, "total_pages": 0, "entry_pages": 2**32 - 1, "entries": 0}
    found["collations"] = [
        {"oid": 1, "schema": "pg_catalog", "name": 'odd"name', "provider": "i", "collate": "'; --", "ctype": ""}
    ]
    return found


@pytest.mark.server
def test_no_role_of_a_file_is_given_more(document: dict[str, Any]) -> None:
    """None is a superuser, may log in, or is a member of a role that reaches out of the database."""
    facts = stand_in_facts(json.dumps(document))
    with stand_in(facts) as there:
        asked = there.planner._connection  # catalogs that everybody may read
        supers = asked.execute("select rolname from pg_roles where rolsuper").fetchall()
        assert [row[0] for row in supers] == ["postgres"]
        able = asked.execute("select rolname from pg_roles where rolcanlogin order by 1").fetchall()
        assert [row[0] for row in able] == ["postgres", "rowreckon_maker", "rowreckon_reader"]
        made = [row[0] for row in asked.execute("select rolname from pg_roles where oid >= 16384::oid").fetchall()]
        assert "their postgres" in made
        assert 'x" superuser; --' in made
        for role in made:
            for group in (*REACHING_OUT, "postgres"):
                held = asked.execute("select pg_catalog.pg_has_role(%s, %s, 'MEMBER')", (role, group)).fetchone()
                assert held == (False,), (role, group)
        assert there.planner.plan(QUERY, {})["Plan"]["Node Type"]
        assert there.planner.for_role("postgres").plan(QUERY, {})["Plan"]["Node Type"]
        for role in ("pg_execute_server_program", "nobody"):
            with pytest.raises(StatementFailed) as refused:
                there.planner.for_role(role).plan(QUERY, {})
            assert "\n" not in refused.value.sentence()


@pytest.mark.parametrize(
    ("part", "key", "value"),
    [
        ("gin_counters", "entry_pages", 2**60),
        ("gin_counters", "entries", 2**70),
        ("rights", "grants", [["x", "S" * 3_000]]),
        ("roles", "name", ""),
    ],
)
@pytest.mark.server
def test_sizes_beyond_reason(document: dict[str, Any], part: str, key: str, value: object) -> None:
    """Each is refused in one sentence that names the place."""
    copy = json.loads(json.dumps(document))
    copy[part][0][key] = value
    with pytest.raises(BrokenPlan) as refused:
        stand_in_facts(json.dumps(copy))
    assert part in refused.value.sentence()
    assert "\n" not in refused.value.sentence()
