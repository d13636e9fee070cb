"""Rows of two tables that go together, told by counts; and indexes that are never proposed to be dropped.

All counts are held to those of the live server, which knows nothing of the audit.
"""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.auditing import audit
from rowreckon.causes import CauseEvidence, CauseFinding
from rowreckon.causes.luring_index import check_join, missing
from rowreckon.causes.site import Context
from rowreckon.counts import find_origins
from rowreckon.document.audit import Audit
from rowreckon.server.lists.querylist import split_named
from tests.faults.runner import capture

from .live import Connection, codes, evenly_timed, first, judged, value

SETUP = """
create table huts(hut int primary key, name text unique);
insert into huts select i, 'hut ' || i from generate_series(1, 500) i;
create table stays(stay int primary key, hut int not null references huts, month int not null);
insert into stays select i, case when i % 10 < 6 then 11 else 1 + i % 500 end, i % 12 from generate_series(1, 20000) i;
create index stays_hut on stays(hut);
create table meals(meal int primary key, stay int not null, dish text default repeat('m', 60));
insert into meals select i, 1 + (i * 7) % 20000 from generate_series(1, 29999) i;
create index meals_stay on meals(stay);
create table walks(hut int not null, guide int not null);
insert into walks select case when i % 10 < 6 then 11 else 1 + i % 500 end, i % 90 from generate_series(1, 3000) i;
vacuum analyze;
"""
HUT_OF_MOST = (
    "select count(*), max(m.dish) from huts h join stays s on s.hut = h.hut join meals m on m.stay = s.stay "
    "where h.name = 'hut 11'"
)


@pytest.fixture(scope="module")
def valley(database: str) -> Iterator[Connection]:
    """Most stays are in one hut, which the query finds by its name."""
    with psycopg.connect(database, autocommit=True) as connection:
        for _, statement in split_named(SETUP):
            connection.execute(statement.encode())
        connection.execute("select pg_stat_force_next_flush()")
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


def whole_list(connection: Connection, *queries: str) -> Audit:
    """The audit of several queries together."""
    return audit([capture(connection, query, name=f"query {n}") for n, query in enumerate(queries, 1)])


def lure(found: tuple[CauseFinding, ...], index: str) -> CauseFinding:
    """The finding of one index."""
    return next(f for f in found if f.code == "luring_index" and f.subject.index == index)


def test_a_unique_sides_rows_that_match_more_often_are_counted(valley: Connection) -> None:
    """The hut that the name picks has more stays than a hut has on average: both figures are the server's own."""
    found = first(judged(valley, HUT_OF_MOST))
    came = value(valley, "select count(*) from huts join stays using (hut) where name = 'hut 11'")
    average = value(valley, "select count(*)::float8 / (select count(*) from huts) from stays join huts using (hut)")

    assert found.code == "cross_table_correlation"
    assert found.finding.explains == pytest.approx(min(came / average, found.factor), rel=0.01)
    assert not found.subject.curable
    assert "join_key_skew" not in codes(judged(valley, HUT_OF_MOST))


def test_longer_lists_do_not_help_a_unique_side(valley: Connection) -> None:
    """Why no list is proposed: the estimate stays where it was with the longest lists on both sides."""
    lookup = "explain (format json) select 1 from huts h join stays s on s.hut = h.hut where h.name = 'hut 11'"
    before = value(valley, lookup)[0]["Plan"]["Plan Rows"]
    valley.execute("begin")
    try:
        for table in ("huts", "stays"):
            valley.execute(f"alter table {table} alter column hut set statistics 10000".encode())
            valley.execute(f"analyze {table}".encode())
        after = value(valley, lookup)[0]["Plan"]["Plan Rows"]
    finally:
        valley.execute("rollback")

    assert after == pytest.approx(before, rel=0.1)


def test_the_keys_value_in_place_of_its_look_up_helps(valley: Connection) -> None:
    """What the finding says, on the server: with the hut's key written in, the estimate is near what comes."""
    told = first(judged(valley, HUT_OF_MOST)).finding.summary
    hut = value(valley, "select hut from huts where name = 'hut 11'")
    mended = judged(
        valley, f"select 1 from huts h join stays s on s.hut = h.hut where h.name = 'hut 11' and s.hut = {hut}"
    )
    count = mended.reckoned.counts[0]

    assert "Writing the key's value in place of its look-up helps" in told
    assert count.estimate == pytest.approx(count.actual, rel=0.3)


def test_keys_that_repeat_on_both_sides_are_skew(valley: Connection) -> None:
    """Neither side is unique: the rows that go together may be mended by lists, which is another cause."""
    query = "select count(*) from stays s join walks w on w.hut = s.hut where s.month = 3 and w.guide < 80"
    found = judged(valley, query, threshold=1.5)

    assert "cross_table_correlation" not in codes(found)


def test_without_a_foreign_key_missing_partners_prove_nothing(valley: Connection) -> None:
    """Fewer pairs than expected may be rows without a partner: the count to make is named instead."""
    valley.execute("create table notes(stay int not null)")
    valley.execute("insert into notes select 100000 + i from generate_series(1, 5000) i")
    valley.execute("insert into notes values (5), (9)")
    valley.execute("analyze notes")
    try:
        found = judged(valley, "select count(*) from stays s join notes n on n.stay = s.stay where s.month = 3")
        counts = [m.how for m in whole_list(valley, found.capture.query or "").plans[0].missing if m.how is not None]
        matches = value(valley, "select count(*) from stays join notes using (stay)")
        told = [valley.execute(how.encode()).fetchone() for how in counts if "AS matches" in how]
    finally:
        valley.execute("drop table notes")

    assert "cross_table_correlation" not in codes(found)
    assert [row[2] for row in told if row is not None] == [matches]


def test_the_index_of_a_foreign_key_is_not_dropped(valley: Connection) -> None:
    """stays_hut is what finds the stays of a hut that is deleted; meals_stay serves nothing that the catalog knows."""
    found = judged(valley, HUT_OF_MOST).findings
    kept, lured = lure(found, "stays_hut"), lure(found, "meals_stay")

    assert not kept.subject.curable
    assert "The index serves the foreign key on hut of public.stays" in kept.finding.summary
    assert lured.subject.curable
    assert "the estimates would stay as they are" in lured.finding.summary


def test_a_second_index_would_lure_as_well(valley: Connection) -> None:
    """Where another index begins with the same column, the planner loops over that one: the server's own plan in a
    transaction that drops the first. No drop is worth a word then."""
    valley.execute("create index stays_hut_month on stays(hut, month)")
    try:
        found = [f for f in judged(valley, HUT_OF_MOST).findings if (f.subject.index or "").startswith("stays_hut")]
        with valley.transaction(force_rollback=True):
            valley.execute("drop index stays_hut")
            still = [join.method for join in judged(valley, HUT_OF_MOST).joins]
    finally:
        valley.execute("drop index stays_hut_month")

    assert found == []
    assert still == ["nested_loop", "nested_loop"]


def test_the_index_that_clusters_a_table_is_not_dropped(valley: Connection) -> None:
    """CLUSTER without a name uses the index that the catalog marks."""
    valley.execute("alter table meals cluster on meals_stay")
    try:
        found = lure(judged(valley, HUT_OF_MOST).findings, "meals_stay")
    finally:
        valley.execute("alter table meals set without cluster")

    assert not found.subject.curable
    assert "The index serves CLUSTER" in found.finding.summary


def test_an_index_that_another_query_reads_is_not_dropped(valley: Connection) -> None:
    """Alone the query is offered the drop; beside one that looks meals up by the index it is not, and says why."""
    by_index = "select count(dish) from meals where stay = 77"
    alone, both = whole_list(valley, HUT_OF_MOST), whole_list(valley, HUT_OF_MOST, by_index)
    told = [f.summary for f in both.plans[0].findings if f.code == "luring_index"]

    assert "meals_stay" in str(value(valley, f"explain (format json) {by_index}"))
    assert lure(evenly_timed(judged(valley, HUT_OF_MOST)).findings, "meals_stay").subject.curable
    assert not any(remedy.kind == "drop_index" for remedy in both.remedies)
    assert any("1 other query of the list reads it, so no drop is proposed" in text for text in told)
    assert not any("of the list" in f.summary for f in alone.plans[0].findings)


def test_without_a_catalog_no_drop_is_proposed(valley: Connection) -> None:
    """The plan alone doesn't tell what an index serves: what to ask is named."""
    crossed = next(j for j in judged(valley, HUT_OF_MOST).joins if j.verdict == "crossed")
    alone = judged(valley, HUT_OF_MOST, catalog=False)
    evidence = CauseEvidence(
        capture=alone.capture, reckoned=alone.reckoned, origins=find_origins(alone.reckoned), joins=(crossed,)
    )
    lured = check_join(crossed, Context.of(evidence))

    assert lured is not None
    assert not lured.subject.curable
    assert "so no drop is proposed" in lured.summary
    asked = missing(lured.subject)
    assert asked is not None
    definitions = {row[3] for row in valley.execute((asked.how or "").encode()).fetchall()}
    assert any(f"INDEX {lured.subject.index} ON" in text for text in definitions)


@pytest.mark.parametrize(
    ("where", "is_proven"),
    [("h.name in ('hut 11', 'hut 12')", True), ("h.name = 'hut 11'", False)],
    ids=["no index on the names makes it unique", "an index on both could"],
)
def test_a_plan_alone_tells_which_side_is_unique(valley: Connection, where: str, is_proven: bool) -> None:
    """By Inner Unique, where no filter of that side could be what makes it so; the catalog is not read."""
    with valley.transaction(force_rollback=True):
        valley.execute("set local enable_nestloop = off")
        valley.execute("set local enable_mergejoin = off")
        plan = judged(valley, f"select count(*) from huts h join stays s on s.hut = h.hut where {where}", catalog=False)

    assert any(getattr(node, "inner_unique", False) for node in plan.reckoned.tree.nodes)
    assert ("cross_table_correlation" in codes(plan)) == is_proven


def test_no_index_is_dropped_for_a_recursion(valley: Connection) -> None:
    """Its loop crossed, as each step found more rows than ten; without the index each would read the table whole."""
    walk = (
        "with recursive fed as (select pipe from pipes where pipe = 1 union all"
        " select p.pipe from fed f join pipes p on p.upstream = f.pipe) select count(*) from fed"
    )
    with valley.transaction(force_rollback=True):
        valley.execute("create temporary table pipes(pipe int, upstream int)")
        valley.execute(
            "insert into pipes select i, case when i > 1 then 1 + i / 99 end from generate_series(1, 9000) i"
        )
        valley.execute("create index on pipes(upstream)")
        valley.execute("analyze pipes")
        plan = judged(valley, walk)

    assert [(join.method, join.verdict) for join in plan.joins] == [("nested_loop", "crossed")]
    assert "luring_index" not in codes(plan)
