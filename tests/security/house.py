"""A house full of snares: a throw-away server with a database in which every hidden call leaves a mark outside of it.

`keeper` is an ordinary role that owns the database and its tables; `warden` is a superuser.  What neither may touch
from a list or a file lies in the schema `snare`, which a superuser owns.  A snare that is sprung writes a line to a
file through a program, so that no rollback and no read-only transaction can hide the call.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import psycopg
from psycopg import sql
from psycopg.conninfo import make_conninfo

from tests.servers.fixtures import MatrixServer

from .neighbours import NEIGHBOURS, foreign_tables
from .rooms import ROOMS, rooms_of
from .snares import SNARES, snares_of

SECRET = "secret-of-the-strongroom-4711"
"""A value of a table that `keeper` has no right to: it must appear in no output of a run as `keeper`."""

HIDDEN_ROW = "hidden-by-policy-0815"
"""A value of a row that a row-security policy hides from `keeper`."""


@dataclass(frozen=True)
class House:
    """The server, its database as seen by three roles, and the yard: the folder in which snares leave their marks."""

    major: int
    superuser: str
    keeper: str
    warden: str
    yard: Path

    def marks(self) -> list[str]:
        """The tags of the snares that were sprung so far, in order."""
        path = self.yard / "sprung"
        return path.read_text().split() if path.exists() else []

    def set_marks(self, tags: list[str]) -> None:
        """Put the file of marks back to these tags, after snares were sprung on purpose."""
        path = self.yard / "sprung"
        path.write_text("".join(f"{tag}\n" for tag in tags))
        path.chmod(0o666)


ROLES = """
do $$ begin
  if to_regrole('keeper') is null then create role keeper login createdb; end if;
  if to_regrole('warden') is null then create role warden login superuser; end if;
  if to_regrole('guide') is null then create role guide; end if;
end $$;
grant guide to keeper;
"""


@contextlib.contextmanager
def house(server: MatrixServer, *, name: str | None = None) -> Iterator[House]:
    """Build the database on this server, under this name or one of its own; drop it and the yard afterwards."""
    yard = Path(tempfile.mkdtemp(prefix="rr_yard_", dir="/tmp"))
    yard.chmod(0o777)
    name = name or f"house_{uuid.uuid4().hex[:8]}"
    with psycopg.connect(server.dsn, autocommit=True) as admin:
        admin.execute(ROLES)
        admin.execute(
            sql.SQL("create database {} owner keeper template template0 encoding 'UTF8'").format(sql.Identifier(name))
        )
    there = make_conninfo(server.dsn, dbname=name)
    try:
        built = House(
            server.major, there, make_conninfo(there, user="keeper"), make_conninfo(there, user="warden"), yard
        )
        furnish(built)
        yield built
    finally:
        with psycopg.connect(server.dsn, autocommit=True) as admin:
            admin.execute("select pg_terminate_backend(pid) from pg_stat_activity where datname = %s", (name,))
            admin.execute(sql.SQL("drop database if exists {}").format(sql.Identifier(name)))
        shutil.rmtree(yard, ignore_errors=True)


def furnish(built: House) -> None:
    """Tables, snares, and what leads to them."""
    built.set_marks([])
    place: dict[str, object] = {
        "YARD": str(built.yard),
        "SECRET": SECRET,
        "HIDDEN": HIDDEN_ROW,
        "HOST": psycopg.conninfo.conninfo_to_dict(built.superuser)["host"],
        "PORT": psycopg.conninfo.conninfo_to_dict(built.superuser)["port"],
        "DATABASE": str(psycopg.conninfo.conninfo_to_dict(built.superuser)["dbname"]).replace("'", "''"),
    }
    with psycopg.connect(built.superuser, autocommit=True) as owner:
        for script in (SNARES, snares_of(built.major)):
            owner.execute(filled(script, place))
        with psycopg.connect(built.keeper, autocommit=True) as keeper:
            for script in (ROOMS, rooms_of(built.major)):
                keeper.execute(filled(script, place))
        for script in (NEIGHBOURS, foreign_tables(built.major)):
            owner.execute(filled(script, place))
        owner.execute("analyze")
    built.set_marks([])


def filled(script: str, place: dict[str, object]) -> bytes:
    """The script with its marks in angle brackets replaced."""
    for key, value in place.items():
        script = script.replace(f"<{key}>", str(value))
    return script.encode()
