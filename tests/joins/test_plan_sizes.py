"""What a nested loop's plan betrays of its inner relation, beside the size that the server itself reports.

The plans are those of a live server; pg_class and the planner's own sequential scan say how large the tables are.
"""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.counts import reckon
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.settings import settings_of
from rowreckon.joins.facts.sides import Aliases, JoinFacts, join_facts
from rowreckon.joins.from_plan.loop_executions import LoopEvidence, loop_evidence
from rowreckon.joins.from_plan.match_counts import matches_of
from rowreckon.joins.from_plan.whole_table_scans import RelationEvidence, SeenRelation
from rowreckon.plan import lay_out

from .live import SERIAL, Connection, apply, capture, explain, judge, only

LOOPS = SERIAL | only("nested_loop") | {"enable_seqscan": "off", "enable_bitmapscan": "off"}

TABLES = """
create table guests(id int, hut int, member int, letter text);
insert into guests select g, g % 40, (g * 7919) % 20000, repeat('l', 60) from generate_series(1, 20000) g;
create unique index on guests(id);
create index on guests(member);
create table nights(guest int, night int, notes text);
insert into nights select (g * 131) % 5000, g, repeat('n', 30) from generate_series(1, 30000) g;
create index on nights(guest);
create table visits(id int, guest int, kind int);
insert into visits select g, (g * 31) % 20000 + 1, g % 500 from generate_series(1, 9000) g;
vacuum analyze guests, nights, visits;
"""


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[Connection]:
    """Guests with a unique and a plain index, their nights, several each, and visits to drive a loop."""
    with psycopg.connect(database, autocommit=True) as connection:
        for statement in TABLES.strip().split(";\n"):
            connection.execute(statement.encode())
        yield connection


def _read(
    connection: Connection, query: str, *, dumped: dict[str, tuple[float, float]] | None = None, **settings: str
) -> tuple[JoinFacts, LoopEvidence]:
    """A loop's facts and sizes; `dumped` are pages and rows of tables as a statistics dump would tell them."""
    captured = capture(connection, query, settings=LOOPS | settings, catalog=False)
    assert captured.explain is not None
    reckoned = reckon(lay_out(captured.explain.plan))
    cost_settings, _ = settings_of(captured, reckoned.tree)
    facts = join_facts(reckoned, reckoned.tree.joins()[0], Aliases(reckoned.tree))
    sizes: dict[tuple[str | None, str], SeenRelation] = {
        ("public", table): SeenRelation(*size) for table, size in (dumped or {}).items()
    }
    relations = RelationEvidence(cost_settings, reckoned, dumped=sizes)
    known = loop_evidence(JoinAtHand(cost_settings, reckoned, facts), relations)
    assert known is not None
    return facts, known


def _size(connection: Connection, table: str) -> tuple[float, float]:
    row = connection.execute("select relpages, reltuples from pg_class where relname = %s", (table,)).fetchone()
    assert row is not None
    return float(row[0]), float(row[1])


@pytest.mark.parametrize("kinds", [1, 2, 10, 100, 400])
@pytest.mark.parametrize(
    ("table", "on"), [("guests", "i.id = v.guest"), ("guests", "i.member = v.guest"), ("nights", "i.guest = v.guest")]
)
@pytest.mark.parametrize("price", ["1.1", "4"])
def test_the_size_is_among_those_that_the_cost_leaves(
    huts: Connection, kinds: int, table: str, on: str, price: str
) -> None:
    """18 to 7,200 executions over a unique, a plain and a much repeated key: pages and tuples lie within bounds."""
    query = f"select * from visits v join {table} i on {on} where v.kind < {kinds}"
    _, known = _read(huts, query, random_page_cost=price)
    pages, tuples = _size(huts, table)

    assert known.sizes
    assert min(s.tuples for s in known.sizes) <= tuples * 1.01
    assert max(s.tuples for s in known.sizes) >= tuples * 0.99
    assert min(s.pages for s in known.sizes) <= pages * 1.05
    assert max(s.pages for s in known.sizes) >= pages * 0.95


@pytest.mark.parametrize("kinds", [2, 100])
@pytest.mark.parametrize(("table", "on"), [("guests", "i.id = v.guest"), ("nights", "i.guest = v.guest")])
def test_a_dumped_size_counts_where_the_cost_agrees(huts: Connection, kinds: int, table: str, on: str) -> None:
    """The size that pg_class tells leaves little else open; one that is forty times as large leaves what was open."""
    query = f"select * from visits v join {table} i on {on} where v.kind < {kinds}"
    pages, tuples = _size(huts, table)
    _, alone = _read(huts, query)
    _, told = _read(huts, query, dumped={table: (pages, tuples)})
    _, wrong = _read(huts, query, dumped={table: (40.0 * pages, 40.0 * tuples)})

    near = all(
        0.75 * tuples <= size.tuples <= 1.3 * tuples and 0.75 * pages <= size.pages <= 1.3 * pages
        for size in told.sizes
    )
    assert told.sizes
    # rows of one key are expected by their average, which the cost of many executions does not quite bear out
    assert near or (table == "nights" and told.sizes == alone.sizes)
    assert wrong.sizes == alone.sizes


def test_many_executions_tell_the_size_closely(huts: Connection) -> None:
    """Where pages are shared, a scan's cost is told to a factor of two at most, not only to a power of two."""
    _, known = _read(huts, "select * from visits v join guests i on i.id = v.guest where v.kind < 100")
    _, low, high = known.sizes

    assert high.pages + high.tuples / 100 <= 2.0 * (low.pages + low.tuples / 100)


def test_a_bitmap_tells_the_pages(huts: Connection) -> None:
    """The price of a bitmap's page tells the table's pages to a few per cent."""
    query = "select * from visits v join nights i on i.guest = v.guest where v.id < 4"
    _, known = _read(huts, query, enable_bitmapscan="on", enable_indexscan="off")
    pages, _ = _size(huts, "nights")

    assert all(abs(size.pages - pages) <= 0.1 * pages for size in known.sizes)
    assert known.sizes


@pytest.mark.parametrize("method", ["semi", "anti"])
def test_matches_of_a_semijoin(huts: Connection, method: str) -> None:
    """A guest with nights has six: a loop that stops at the first one tells so by its cost."""
    no = "not " if method == "anti" else ""
    query = f"select * from visits v where v.kind < 40 and {no}exists (select from nights i where i.guest = v.guest)"
    captured = capture(huts, query, settings=LOOPS | {"enable_sort": "off", "enable_hashagg": "off"}, catalog=False)
    assert captured.explain is not None
    reckoned = reckon(lay_out(captured.explain.plan))
    settings, _ = settings_of(captured, reckoned.tree)
    facts = join_facts(reckoned, reckoned.tree.joins()[0], Aliases(reckoned.tree))
    told = matches_of(JoinAtHand(settings, reckoned, facts))

    assert facts.kind == method.capitalize()
    assert told.rows is not None
    assert 5.0 <= told.rows <= 7.0


def _live_border(connection: Connection, query: str) -> float:
    """The estimated outer rows from which the server takes a hash join, as `{n}` grows."""

    def method(n: int) -> str:
        with connection.transaction(force_rollback=True):
            apply(connection, SERIAL)
            return explain(connection, query.format(n=n)).plan.node_type

    low, high = 1, 9000
    assert (method(low), method(high)) == ("Nested Loop", "Hash Join")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if method(middle) == "Nested Loop" else (low, middle)
    return float(high)


def test_one_execution_leaves_a_border_between_bounds(huts: Connection) -> None:
    """Descent and pages of one execution tell the inner table's size to a factor of four: the border is given with what
    that leaves, the server's own in between, and no crossing."""
    query = "select * from visits v join guests i on i.member = v.guest where v.id <= {n} and v.kind >= -1"
    captured = capture(huts, query.format(n=1), settings=SERIAL, catalog=False)
    join = judge(captured)[0]
    border = next(p for p in join.switch_points if p.from_ == "nested_loop")

    assert border.low is not None
    assert border.high is not None
    assert border.low <= _live_border(huts, query) <= border.high
    assert join.verdict == "accurate"


def test_what_is_left_open_is_left_undecided(huts: Connection) -> None:
    """With next to free operators one execution does not tell the inner table's size: no border, and no crossing."""
    query = "select * from visits v join guests i on i.member = v.guest where v.id = 5 and v.kind = 5"
    captured = capture(huts, query, settings=SERIAL | {"cpu_operator_cost": "0.00001"}, catalog=False)
    join = judge(captured)[0]

    assert join.method == "nested_loop"
    assert not [p for p in join.switch_points if p.to == "hash"]
    assert join.verdict in ("accurate", "undecided")
