"""A trial by a role that owns its database and may create others, and nothing more."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

from tests.cli.running import rowreckon_long

from .scene import Scene, copies_on, scene
from .source_state import differences, state_of


@pytest.fixture(scope="module")
def owned(server: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    """A database that belongs to an ordinary role, with a setting that this role may not give to a copy."""
    with (
        scene(server, tmp_path_factory.mktemp("owner"), name="rr_owned", faults=("stale_new_status",)) as made,
        psycopg.connect(server, autocommit=True) as admin,
    ):
        admin.execute("create role keeper login createdb")
        admin.execute("create role guest_of_keeper nologin")
        admin.execute("alter database rr_owned owner to keeper")
        admin.execute("alter database rr_owned set log_min_duration_statement = 5000")
        admin.execute("alter database rr_owned set work_mem = '2MB'")
        admin.execute("alter role guest_of_keeper in database rr_owned set work_mem = '3MB'")
        with made.connect() as connection:
            connection.execute("alter schema stale_new_status owner to keeper")
            for table in ("guests", "bookings"):
                connection.execute(
                    sql.SQL("alter table stale_new_status.{} owner to keeper").format(sql.Identifier(table))
                )
        try:
            yield Scene(make_conninfo(made.dsn, user="keeper"), made.queries)
        finally:
            admin.execute("drop database rr_owned with (force)")
            admin.execute("drop role guest_of_keeper")
            admin.execute("drop role keeper")


def test_ownership_and_createdb_are_enough(owned: Scene, tmp_path: Path) -> None:
    """The trial works, says which settings it could not give to the copy, and leaves nothing."""
    superuser = make_conninfo(owned.dsn, user="postgres")
    with psycopg.connect(superuser, autocommit=True) as connection:
        before = state_of(connection)
    report = tmp_path / "r.json"
    done = rowreckon_long(*owned.arguments("--yes", "--report", str(report)))
    err = done.stderr
    assert done.returncode == 0, err
    document = json.loads(report.read_text())
    assert document["remedies"][0]["trial"]["verdict"] == "helped"
    notes = " ".join(document["trials"]["notes"])
    assert "log_min_duration_statement" in notes
    assert "of role guest_of_keeper" in notes
    assert "work_mem:" not in notes
    assert copies_on(superuser) == []
    with psycopg.connect(superuser, autocommit=True) as connection:
        assert differences(before, state_of(connection)) == set()
