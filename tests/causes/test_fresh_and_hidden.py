"""Statistics that are fresh although the server's counter says otherwise, and those behind a security barrier."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.causes.registry import BY_CODE
from rowreckon.server.lists.querylist import split_named
from tests.faults.runner import flush_counters

from .live import Connection, codes, first, judged, value

SETUP = """
create table guests(guest int primary key, name text, secret bool not null);
insert into guests select i, case when i % 10 < 8 then 'late ' else 'other ' end || i, i % 50 = 0
  from generate_series(1, 20000) i;
create view shown_guests with (security_barrier) as select guest, name from guests where not secret;
analyze guests;
"""
LATE = "select count(*) from shown_guests where name like 'late%'"


@pytest.fixture
def lodge(database: str) -> Iterator[Connection]:
    """A table, and a view of it that is a security barrier; dropped afterwards."""
    with psycopg.connect(database, autocommit=True) as connection:
        for _, statement in split_named(SETUP):
            connection.execute(statement.encode())
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection
        connection.execute("drop table guests cascade")


def test_a_load_analyzed_in_its_own_transaction_is_fresh(lodge: Connection) -> None:
    """The server counts all rows as modified since an ANALYZE that saw them; a later update is old news indeed."""
    query = "select count(*) from stays s join guests g using (guest) where g.guest <= 10000 and s.bed > 10000"
    with lodge.transaction():
        lodge.execute("create table stays(guest int not null, bed int not null)")
        lodge.execute("insert into stays select i, i from generate_series(1, 20000) i")
        lodge.execute("analyze stays")
    try:
        flush_counters(lodge)
        modified = value(lodge, "select n_mod_since_analyze from pg_stat_all_tables where relname = 'stays'")
        fresh = codes(judged(lodge, query))
        lodge.execute("update stays set guest = guest + 100000 where guest > 10000")
        flush_counters(lodge)
        old = codes(judged(lodge, query))
    finally:
        lodge.execute("drop table stays")

    assert modified == 20000
    assert "stale_statistics" not in fresh
    assert "stale_statistics" in old


def test_a_filter_above_a_security_barrier_has_no_statistics(lodge: Connection) -> None:
    """The same filter on the table itself is estimated right: the statistics are there, and the view hides them."""
    hidden, open_to_all = judged(lodge, LATE), judged(lodge, LATE.replace("shown_guests", "guests"))

    assert first(hidden).code == "statistics_not_usable"
    written, advice = BY_CODE["statistics_not_usable"].remedy(first(hidden).subject, hidden.capture)
    assert advice.sql == ()
    assert "LEAKPROOF" in advice.reason
    assert open_to_all.findings == ()
    (query,) = written.sql
    assert value(lodge, query) == value(lodge, LATE) == 15600  # 16,000 late ones without those that are secret
    assert judged(lodge, query).findings == ()


def test_a_table_read_whole_after_a_purge_is_stale(lodge: Connection) -> None:
    """The file keeps its size, so that the old density promises the old rows (estimate_rel_size in plancat.c)."""
    lodge.execute("alter table guests set (autovacuum_enabled = off)")
    lodge.execute("delete from guests where guest > 100")
    flush_counters(lodge)
    query = "select name from guests"
    purged = judged(lodge, query)
    lodge.execute("analyze guests")

    assert codes(purged) == ["stale_statistics"]
    assert judged(lodge, query).findings == ()


ROLE = "guest_list_clerk"


@pytest.fixture
def clerk(lodge: Connection) -> Iterator[Connection]:
    """The session in a role from which a policy hides guests that are secret."""
    for statement in (
        f"create role {ROLE}",
        f"grant select on guests to {ROLE}",
        "alter table guests enable row level security",
        "create policy own_guests on guests using (not secret)",
        f"set role {ROLE}",
    ):
        lodge.execute(statement.encode())
    try:
        yield lodge
    finally:
        lodge.execute("reset role")
        lodge.execute("drop policy own_guests on guests")
        lodge.execute(f"drop owned by {ROLE}".encode())
        lodge.execute(f"drop role {ROLE}".encode())


def test_statistics_on_the_filter_itself_serve_a_role_under_a_policy(clerk: Connection) -> None:
    """By the server: the same rows come, the estimate is right, and no function was marked leakproof for it."""
    query = "select count(*) from guests where name like '%ate%'"
    hidden = judged(clerk, query)
    written, advice = BY_CODE["statistics_not_usable"].remedy(first(hidden).subject, hidden.capture)
    *made, again = written.sql
    with clerk.transaction(force_rollback=True):
        clerk.execute("reset role")
        for statement in made:
            clerk.execute(statement.encode())
        clerk.execute(f"set local role {ROLE}".encode())
        mended = judged(clerk, again)
        rows = value(clerk, again), value(clerk, query)

    assert "statistics_not_usable" in codes(hidden)
    assert "statistics_not_usable" not in codes(mended)
    assert rows[0] == rows[1]
    assert written.sql[0].startswith("CREATE STATISTICS public.guests_name_stats ON (name LIKE '%ate%')")
    assert any("hidden from it" in caution for caution in written.cautions)
    assert advice.sql == ()


def test_a_right_to_columns_alone_hides_what_an_index_knows(lodge: Connection) -> None:
    """Statistics of an indexed expression are there for whoever may read the whole table (examine_variable in
    selfuncs.c): no second ones are asked for, and those of the filter itself serve the role."""
    query = "select count(*) from guests where guest / 15000 * guest / 100 * 1.0 = 0"
    with lodge.transaction(force_rollback=True):
        for statement in (
            "create index guests_late on guests ((guest / 15000 * guest / 100 * 1.0))",
            "analyze guests",
            f"create role {ROLE}",
            f"grant select (guest, name) on guests to {ROLE}",
            f"set local role {ROLE}",
        ):
            lodge.execute(statement.encode())
        hidden = judged(lodge, query)
        *made, again = BY_CODE["statistics_not_usable"].remedy(first(hidden).subject, hidden.capture)[0].sql
        lodge.execute("reset role")
        for statement in made:
            lodge.execute(statement.encode())
        lodge.execute(f"set local role {ROLE}".encode())
        mended = judged(lodge, again)

    assert codes(hidden) == ["statistics_not_usable"]
    assert codes(mended) == []


def test_a_leakproof_function_lets_the_filter_through(lodge: Connection) -> None:
    """What the page advises, tried and taken back: the statistics are used again."""
    with lodge.transaction(force_rollback=True):
        for function in ("textlike(text, text)", "starts_with(text, text)"):
            lodge.execute(f"alter function {function} leakproof".encode())
        mended = judged(lodge, LATE)

    assert mended.findings == ()


def test_a_subquery_that_offset_fences_keeps_its_statistics(lodge: Connection) -> None:
    """OFFSET 0 leaves a Subquery Scan too, but the planner looks through it: no finding of hidden statistics."""
    fenced = judged(lodge, "select count(*) from (select guest, name from guests offset 0) g where name like 'late%'")

    assert "statistics_not_usable" not in codes(fenced)
