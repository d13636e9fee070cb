"""The tables of the worked plans, built on the embedded server and on each server of the version matrix.

At most 30 000 rows each, so that ANALYZE at the default target reads every row and nothing is left to chance.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path

import psycopg
import pytest

from rowreckon import releases
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers
from tests.servers.recorded import Replayed, kept_answers, recorded

from .facts import Facts

TABLES = """
create table dim(id int primary key, grp int not null, pad text);
insert into dim select i, i%50, 'x'||i from generate_series(1,10000) i;
create table fact(id int, dim_id int, val int, pad text);
insert into fact select i, (i::bigint*7919)%10000+1, i%1000, repeat('p',40) from generate_series(1,30000) i;
create index fact_dim on fact(dim_id);
create index fact_id on fact(id);
create index fact_val_id on fact(val,id);
create table skew(k int, v int, pad text);
insert into skew select case when i<=9000 then 1 else i end, i%7, repeat('s',100) from generate_series(1,20000) i;
create table sm(id int, k int);
insert into sm select i, i*10 from generate_series(1,500) i;
create table big(a int, b int, c int, pad text);
insert into big select i%100, i%100, i, repeat('b',60) from generate_series(1,30000) i;
create table ob(id int, k int);
insert into ob select i, (i::bigint*31)%10000+1 from generate_series(1,20000) i;
create table ss(a int, c int, pad text);
insert into ss select i%10, i, repeat('q',50) from generate_series(1,30000) i;
create index ss_a_c on ss(a,c);
create extension pageinspect;
"""


ANSWERS = Path(__file__).with_name("answers")
"""What the oldest and the newest server answered (`tests/servers/recorded.py`)."""


def _params() -> list[object]:
    matrix = [
        pytest.param(major, marks=[pytest.mark.server, pytest.mark.matrix], id=f"pg{major}")
        for major in releases.MODELLED[:-1]
    ]
    return [pytest.param(None, marks=pytest.mark.server, id="default"), *matrix, *kept_answers(ANSWERS)]


@pytest.fixture(scope="session", params=_params())
def facts(request: pytest.FixtureRequest) -> Facts:
    """A session on a database with these tables, vacuumed and analysed; or what servers answered in such sessions."""
    if isinstance(request.param, Path):
        return Facts(Replayed(request.param))
    filled: Callable[[int | None], Facts] = request.getfixturevalue("filled")
    return filled(request.param)


@pytest.fixture(scope="session")
def filled(server: str, servers: Servers) -> Iterator[Callable[[int | None], Facts]]:
    """Such a session on a server, one per test process: no test here changes the tables."""
    sessions: dict[int | None, Facts] = {}
    with contextlib.ExitStack() as kept:

        def on(major: int | None) -> Facts:
            if major not in sessions:
                made = kept.enter_context(_filled(server if major is None else servers(major).dsn))
                sessions[major] = Facts(kept.enter_context(recorded(made, ANSWERS)))
            return sessions[major]

        yield on


@contextlib.contextmanager
def _filled(server: str) -> Iterator[psycopg.Connection[tuple[object, ...]]]:
    # VACUUM can't mark pages all-visible while a commit of theirs is not yet on disk
    options = "-c synchronous_commit=on"
    with fresh_database(server) as dsn, psycopg.connect(dsn, autocommit=True, options=options) as connection:
        connection.execute(TABLES.encode())
        for table in ("dim", "fact", "skew", "sm", "big", "ob", "ss"):
            connection.execute(f"vacuum analyze {table}".encode())
        yield connection
