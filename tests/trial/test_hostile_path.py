"""A role whose search path puts operators of somebody else's first: a trial's own questions call none of them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from psycopg import sql

from rowreckon.server.connecting.connection import Connection, connected
from rowreckon.server.sweeping.run_facts import read_here
from rowreckon.server.trials.apply import apply
from rowreckon.server.trials.catalog_state import read_state
from rowreckon.server.trials.copies import copies
from rowreckon.server.trials.leftovers import find_leftovers
from rowreckon.server.trials.permitted import permitted
from rowreckon.server.trials.pulse import take_pulse
from rowreckon.server.trials.read_price import read_price
from rowreckon.server.trials.to_database import connector_to
from tests.cli.running import rowreckon_long

from .scene import Scene, scene

NAME = "rowreckon_shadowed"
# Types that catalogs and the values beside them have. An operator that fits exactly is taken wherever it stands on the
# path, and of two that fit the one that stands first.
SHADOW = """
create schema shadow;
create sequence shadow.bell;
do $make$
declare
  one text;
  op text;
begin
  foreach one in array array['name,name', 'name,text', 'text,text', 'oid,oid', 'oid,int4', 'oid,regclass',
    'oid,regnamespace', 'oid,regproc', '"char","char"', '"char",text', 'int2,int2', 'int2,int4', 'int4,int4',
    'int8,int8', 'int8,int4', 'int8,int2', 'numeric,numeric', 'numeric,int4', 'int8,numeric', 'bool,bool',
    'float4,float8']
  loop
    execute format('create function shadow.ring(%s) returns bool language plpgsql as '
      '$ring$ begin perform pg_catalog.nextval(''shadow.bell''); return true; end $ring$', one);
    foreach op in array array['=', '<>', '<', '<=', '>', '>=', '-', '+', '*', '/', '%', '||', '!~', '~~'] loop
      execute format('create operator shadow.%s (leftarg = %s, rightarg = %s, function = shadow.ring)', op,
        split_part(one, ',', 1), split_part(one, ',', 2));
    end loop;
  end loop;
end $make$;
create function shadow.lower(text) returns text language plpgsql as
  $$ begin perform pg_catalog.nextval('shadow.bell'); return $1; end $$;
create domain shadow.text as pg_catalog.text check (pg_catalog.nextval('shadow.bell') is not null);
create domain shadow.int8 as pg_catalog.int8 check (pg_catalog.nextval('shadow.bell') is not null);
"""
TABLES = """
create table public.huts(id integer primary key, name text);
insert into public.huts select i, 'hut ' || i from generate_series(1, 500) i;
"""


@pytest.fixture(scope="module")
def shadowed(server: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    """A database in which the role's path begins with the operators that ring."""
    folder = tmp_path_factory.mktemp("shadowed")
    with scene(server, folder, name=NAME, faults=("stale_new_status",)) as made:
        with made.connect() as connection:
            connection.execute(TABLES)
            connection.execute(SHADOW)
            path = sql.SQL("alter role {} in database {} set search_path = shadow, pg_catalog, public")
            connection.execute(path.format(sql.Identifier(connection.info.user), sql.Identifier(NAME)))
        yield made


@pytest.fixture
def session(shadowed: Scene) -> Iterator[Connection]:
    with connected(shadowed.dsn) as connection:
        yield connection


def rung(where: Scene) -> int:
    """How often the bell was rung so far: a sequence, so that no rollback silences it."""
    with where.connect() as connection:
        row = connection.execute("select last_value, is_called from shadow.bell").fetchone()
    assert row is not None
    return int(str(row[0])) if row[1] else 0


def test_it_would_ring(shadowed: Scene, session: Connection) -> None:
    """The same kind of question without a neutral path does."""
    before = rung(shadowed)
    session.execute("select count(*) from pg_catalog.pg_class c where c.oid >= 16384 and c.relname = 'huts'::name")
    assert rung(shadowed) > before


def test_a_trials_own_questions(shadowed: Scene, session: Connection) -> None:
    """Outside a transaction and within one; the answers are those of PostgreSQL's own operators."""
    before = rung(shadowed)
    assert read_price(session).database == NAME
    for part in (False, True):
        if part:
            session.execute("begin")
        assert read_here(session).login == session.info.user
        assert find_leftovers(session) == ()
        assert any("huts_pkey" in index.definition for index in read_state(session).indexes.values())
        assert "public.huts" in take_pulse(session)
        index = "CREATE INDEX tried ON public.huts ((pg_catalog.upper(name)))"
        changes, reason = permitted(session, [index], built_in_only=True)
        assert (len(changes), reason) == (1, None)
        path = session.execute("show search_path").fetchone()
        assert path == ("shadow, pg_catalog, public",)
    session.execute("rollback")
    assert apply(session, ["ANALYZE public.huts"], limit_ms=20_000.0).obstacle is None
    assert rung(shadowed) == before


def test_copies(shadowed: Scene, session: Connection) -> None:
    """Made with the settings of their source, marked and dropped."""
    before = rung(shadowed)
    with copies(connector_to(shadowed.dsn), session, NAME, 1000.0) as maker:
        name = maker.make()
        assert maker.notes == []
        with maker.session(name) as inside:
            assert "public.huts" in take_pulse(inside)
            there = inside.execute("select is_called, last_value from shadow.bell").fetchone()
    assert rung(shadowed) == before
    assert there == (before > 0, max(before, 1))


@pytest.mark.parametrize("how", [(), ("--in-place",)], ids=["copy", "in place"])
def test_a_whole_trial(shadowed: Scene, tmp_path: Path, how: tuple[str, ...]) -> None:
    """Nothing rings on the source; the change is tried and helps."""
    before = rung(shadowed)
    done = rowreckon_long(*shadowed.arguments("--yes", *how, "--report", str(tmp_path / "report.md")))
    out, err = done.stdout, done.stderr
    assert done.returncode == 0, err
    assert "it helped" in " ".join(out.split())
    assert rung(shadowed) == before
