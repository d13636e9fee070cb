"""Which queries a change can't reach: the server's own locks say, and its own plans show that nothing was missed."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.server.connecting.connection import Connection, connected
from rowreckon.server.connecting.permission import Limits, SafetyPermission
from rowreckon.server.lists.querylist import QueryItem, read_query_list
from rowreckon.server.trials.reach import altered, out_of_reach
from rowreckon.server.trials.stage import Planned, Stage
from tests.servers.databases import fresh_database, run_script

SCENE = """
create table trails (id int primary key, hut int, grade text);
create table huts (id int primary key, beds int);
create table wardens (hut int primary key, name text);
create table bookings (hut int, day date) partition by range (day);
create table bookings_may partition of bookings for values from ('2026-05-01') to ('2026-06-01');
create table bookings_june partition of bookings for values from ('2026-06-01') to ('2026-07-01');
insert into trails select i, i % 50, 'g' || i % 3 from generate_series(1, 20000) i;
insert into huts select i, i % 30 from generate_series(1, 50) i;
insert into wardens select i, 'warden ' || i from generate_series(1, 50) i;
insert into bookings select i % 50, date '2026-05-01' + i % 61 from generate_series(1, 20000) i;
create view graded as select t.hut, t.grade from trails t where t.grade <> 'g0';
create function beds_of(wanted int) returns table (id int, beds int) stable language sql
  as 'select h.id, h.beds from huts h where h.id = wanted';
analyze trails, huts, wardens, bookings;
"""
READ = {
    "select * from graded where hut = 7": {"graded", "trails"},
    "select beds from beds_of(9)": {"huts"},
    "select h.id from huts h left join wardens w on w.hut = h.id": {"huts", "wardens"},
    "select count(*) from bookings where day = '2026-05-09'": {"bookings", "bookings_may"},
    "select count(*) from bookings_june where hut = 3": {"bookings_june"},
    "select count(*) from trails where id < 5": {"trails"},
}
"""Each query, and what of the scene's its planning has to look at: the second join is taken out of the plan."""


@pytest.fixture(scope="module")
def scene(server: str) -> Iterator[str]:
    with fresh_database(server) as dsn:
        run_script(dsn, SCENE)
        yield dsn


def _items() -> tuple[QueryItem, ...]:
    return tuple(read_query_list("".join(f"{text};\n" for text in READ)))


def _plans(connection: Connection) -> list[Planned]:
    stage = Stage(connection, SafetyPermission(), Limits())
    return [stage.plan(item) for item in _items()]


def _names(connection: Connection, oids: frozenset[int] | None) -> set[str]:
    rows = connection.execute(
        "select relname from pg_class where oid = any(%s) and relnamespace = 'public'::regnamespace and relkind <> 'i'",
        (sorted(oids or ()),),
    ).fetchall()
    return {str(row[0]) for row in rows}


def test_planning_locks_all_that_it_looks_at(scene: str) -> None:
    """Views and functions taken apart, a join that is taken out, the partitions that are not ruled out."""
    with connected(scene) as connection:
        planned = _plans(connection)
        found = [_names(connection, each.relations) for each in planned]

    for (text, wanted), seen in zip(READ.items(), found, strict=True):
        assert wanted <= seen, text
    assert not found[0] & {"huts", "wardens", "bookings"}


@pytest.mark.parametrize(
    ("statement", "tables"),
    [
        ("ANALYZE public.bookings", {"bookings", "bookings_may", "bookings_june"}),
        ("ANALYZE bookings_may", {"bookings", "bookings_may", "bookings_june"}),
        ("CREATE INDEX on_hut ON trails (hut)", {"trails"}),
        ("ALTER TABLE huts ADD CONSTRAINT held FOREIGN KEY (id) REFERENCES wardens (hut)", {"huts", "wardens"}),
        ("DROP INDEX trails_pkey", None),
        ("ALTER FUNCTION beds_of(int) ROWS 7", None),
        ("ANALYZE no_such_table", None),
    ],
)
def test_what_a_change_alters_is_told_by_its_names_or_not_at_all(
    scene: str, statement: str, tables: set[str] | None
) -> None:
    """A partitioned table stands for its partitions as well; where a name tells no table, every query is in reach."""
    with connected(scene) as connection:
        found = altered(connection, [statement])
        assert (None if found is None else _names(connection, found)) == tables


def test_what_is_out_of_reach_keeps_its_plan(scene: str) -> None:
    """Changes made in turn: the server's plans of all queries out of their reach stay, and some in reach do not."""
    changes = (
        "CREATE INDEX trails_by_hut ON trails (hut)",
        "CREATE INDEX june_by_hut ON bookings_june (hut)",
        "ALTER TABLE trails ALTER COLUMN hut SET (n_distinct = 3)",
        "ANALYZE trails",
        "ANALYZE bookings",
    )
    moved = 0
    with connected(scene) as connection:
        for statement in changes:
            before = _plans(connection)
            connection.execute(statement.encode())
            tables = altered(connection, [statement])
            after = _plans(connection)
            kept = [n for n, each in enumerate(before) if out_of_reach(each, tables)]
            assert 3 <= len(kept) < len(before), statement
            assert [after[n].shape for n in kept] == [before[n].shape for n in kept], statement
            moved += sum(a.shape != b.shape for a, b in zip(after, before, strict=True))
    assert moved >= 2
