"""Roles that nothing bounds need a word; the role that `check` writes is enough; guards are asked from the server."""

from __future__ import annotations

import uuid
from collections.abc import Iterator

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

from rowreckon.errors import StatementRefused
from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.containment import Containment
from rowreckon.server.connecting.permission import Limits, NotPermitted, SafetyPermission
from rowreckon.server.connecting.privileges import privileges, require_plain_role, role_that_is_enough
from rowreckon.server.executing.execute import Executor
from rowreckon.server.lists.querylist import read_query_list

# what makes a role more than a plain one (manual: Role Attributes, Predefined Roles)
SPECIAL = {
    "superuser": "a superuser",
    "bypassrls": "exempt from row security (BYPASSRLS)",
    "in role pg_execute_server_program": "a member of pg_execute_server_program",
    "in role pg_read_server_files": "a member of pg_read_server_files",
    "in role pg_write_server_files": "a member of pg_write_server_files",
    "in role pg_signal_backend": "a member of pg_signal_backend",
    "noinherit in role pg_signal_backend": "a member of pg_signal_backend",
}


@pytest.fixture
def role(database: str, request: pytest.FixtureRequest) -> Iterator[str]:
    """DSN of a fresh role with the attributes that the test names."""
    name = f"rr_role_{uuid.uuid4().hex[:8]}"
    with psycopg.connect(database, autocommit=True) as admin:
        attributes = str(getattr(request, "param", ""))
        admin.execute(f"create role {name} login {attributes}".encode())
        yield make_conninfo(database, user=name)
        admin.execute(f"drop owned by {name}; drop role {name}".encode())


@pytest.mark.parametrize(("role", "said"), SPECIAL.items(), indirect=["role"])
def test_more_than_a_plain_role_needs_a_word(role: str, said: str) -> None:
    """Refused where nobody can be asked, done where somebody says yes or the flag is given."""
    with connected(role) as connection:
        assert privileges(connection) == (said,)
        with pytest.raises(StatementRefused) as caught:
            require_plain_role(connection, allowed=False, confirm=None)
        assert "--allow-privileged-role" in str(caught.value.hint)
        with pytest.raises(StatementRefused):
            require_plain_role(connection, allowed=False, confirm=lambda _: False)
        require_plain_role(connection, allowed=False, confirm=lambda _: True)
        require_plain_role(connection, allowed=True, confirm=None)


def test_a_plain_role_needs_none(role: str) -> None:
    """Nothing is asked."""
    with connected(role) as connection:
        assert privileges(connection) == ()
        require_plain_role(connection, allowed=False, confirm=None)


def test_the_role_that_is_enough_runs_queries(database: str) -> None:
    """What `check` writes makes a plain role that runs a query on each schema, the odd names included."""
    with connected(database) as connection:
        connection.execute(b'create schema "Odd ""one"; create table "Odd ""one".huts as select 1 as id')
        try:
            for statement in role_that_is_enough(connection):
                connection.execute(statement.encode())
            with connected(make_conninfo(database, user="plan_reader")) as reader:
                assert privileges(reader) == ()
                (item,) = read_query_list('select * from "Odd ""one".huts')
                assert Executor(reader, SafetyPermission()).run(item).outcome == "ran"
        finally:
            connection.execute(b"drop owned by plan_reader; drop role plan_reader")


@pytest.mark.parametrize(
    ("statement", "name"),
    [
        ("set local statement_timeout = 0", "statement_timeout"),
        ("set local lock_timeout = '1h'", "lock_timeout"),
        ("set local role pg_monitor", "current_user"),
        ("set local standard_conforming_strings = off", "standard_conforming_strings"),
        ("set local search_path = public", "search_path"),
        ("set local client_encoding = latin1", "client_encoding"),
    ],
)
def test_a_lifted_guard_is_seen(database: str, statement: str, name: str) -> None:
    """Whatever lifts a guard while a statement runs, the server is asked afterwards, and says it."""
    with connected(database) as connection, connection.transaction(force_rollback=True):
        connection.execute(b"set transaction read only")
        containment = Containment(connection, read_only=True)
        containment.limit(Limits(), watched=False)
        containment.begin()
        containment.before()
        containment.after()
        connection.execute(sql.SQL(statement))
        with pytest.raises(NotPermitted, match=name):
            containment.after()


def test_a_list_takes_no_role_unasked(database: str) -> None:
    """SET ROLE in any spelling needs its flag; RESET gives back what the command line chose."""
    for spelling in ("set role pg_monitor", "set local role 'pg_monitor'", 'set "ROLE" = pg_monitor', "set role none"):
        items = read_query_list(f"{spelling}; select 1; reset role; select 2")
        with connected(database) as connection:
            refused, after = (Executor(connection, SafetyPermission()).run(item) for item in items)
            assert (refused.outcome, after.outcome) == ("refused", "ran")
            assert "--allow-role-changes" in (refused.reason or "")
            permitted = Executor(connection, SafetyPermission(role_changes=True)).run(items[0])
            assert permitted.outcome == "ran", permitted.reason
