"""The method that a live server takes with right estimates where several processes may share the work.

Two columns always hold the same value, so that a condition on both is estimated as if they were independent; one on a
single column lets the same rows through and is estimated right.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.document.audit import Join
from rowreckon.joins.facts.sides import METHODS
from rowreckon.plan import lay_out
from rowreckon.plan.nodes import GatherNode
from rowreckon.plan.tree import PlanTree
from tests.servers.fixtures import MatrixServer

from .live import Connection, apply, capture, explain, filled, judge

pytestmark = pytest.mark.oldest_and_newest

TABLES = """
create table guest(id int, week int, season int, hut int, pad text);
insert into guest select g, g % 500, g % 500, (g::bigint * 31) % 2000, repeat('g', 60)
  from generate_series(1, 200000) g;
create table visit(guest int, nights int, pad text);
insert into visit select (g::bigint * 7919) % 200000 + 1, g % 30, repeat('v', 40) from generate_series(1, 300000) g;
create index visit_guest on visit(guest);
alter table guest alter week set statistics 1000, alter season set statistics 1000;
create table hut(id int primary key, region int);
insert into hut select g, g % 9 from generate_series(0, 1999) g;
"""
JOIN = "from guest g join visit v on v.guest = g.id where {}"
TWO = "from guest g join visit v on v.guest = g.id join hut h on h.id = g.hut where {}"
# 80,000 rows of which 32,000 are expected, 10,800 of which 583, 400 of which 39,900, and one estimate that is right
WRONG = {
    "many": ("g.week < 200 and g.season < 200", "g.week < 200 and g.season >= 0"),
    "some": ("g.week < 27 and g.season < 27", "g.week < 27 and g.season >= 0"),
    "few": ("g.week < 201 and g.season >= 200", "g.week = 200 and g.season >= 0"),
    "right": ("g.week < 20 and g.season >= 0", "g.week < 20 and g.season >= 0"),
}
TOPS = ("select g.pad, v.pad", "select count(*)")
SESSIONS = {
    "default": {"jit": "off"},
    "cheap": {"jit": "off", "parallel_setup_cost": "10", "parallel_tuple_cost": "0.01", "random_page_cost": "1.1"},
    "four": {"jit": "off", "max_parallel_workers_per_gather": "4", "min_parallel_table_scan_size": "0"},
    "cached": {"jit": "off", "seq_page_cost": "0.1", "random_page_cost": "0.1"},
}


@pytest.fixture(scope="module")
def connection(matrix_database: MatrixServer) -> Iterator[Connection]:
    """A session on a database with guests, visits and huts."""
    with filled(matrix_database.dsn, TABLES) as session:
        yield session


@pytest.mark.parametrize("session", SESSIONS)
@pytest.mark.parametrize("rows", WRONG)
@pytest.mark.parametrize("joins", [JOIN, TWO], ids=["two tables", "three tables"])
@pytest.mark.parametrize("top", TOPS)
def test_no_verdict_contradicts_the_server(
    connection: Connection, top: str, joins: str, rows: str, session: str
) -> None:
    """`crossed` where the server changes the method, `held` only where it does not; where both plans cost the same
    within 1%, either."""
    wrong, right = (f"{top} {joins.format(condition)}" for condition in WRONG[rows])
    captured = capture(connection, wrong, settings=SESSIONS[session])
    with connection.transaction(force_rollback=True):
        apply(connection, SESSIONS[session])
        taken = lay_out(explain(connection, right).plan)
    assert captured.explain is not None
    here = lay_out(captured.explain.plan)

    for join in judge(captured):
        number = _same(here, join, taken)
        if number is None:
            continue
        truth = METHODS[taken.nodes[number].node_type]
        if join.verdict == "crossed":
            assert truth != join.method, join.why
        elif join.verdict == "held":
            assert truth == join.method, join.why


def test_a_parallel_nested_loop_gives_way_to_a_parallel_hash_join(connection: Connection) -> None:
    """What this was built for: below a Gather, a nested loop over a shared scan that brings far more rows."""
    settings = SESSIONS["cheap"] | {"random_page_cost": "1.1"}
    wrong, right = (f"select g.pad, v.pad {JOIN.format(condition)}" for condition in WRONG["many"])
    wrong = wrong.replace("g.season < 200", "g.season < 200 and g.week % 1 = 0 and g.season % 1 = 0")
    (join,) = judge(capture(connection, wrong, settings=settings))
    with connection.transaction(force_rollback=True):
        apply(connection, settings)
        taken = lay_out(explain(connection, right).plan)

    assert isinstance(taken.nodes[0], GatherNode)
    assert taken.nodes[taken.joins()[0]].node_type == "Hash Join"
    assert join.method == "nested_loop"
    assert join.costs["nested_loop"].ways[0] is not None
    assert join.verdict == "crossed"
    assert join.best_at_actual == "hash"


def _same(here: PlanTree, join: Join, there: PlanTree) -> int | None:
    """The join of the same two inputs in another plan."""
    mine = {frozenset(join.outer.tables), frozenset(join.inner.tables)}
    for number in there.joins():
        sides = {_tables(there, there.outer(number)), _tables(there, there.inner(number))}
        if sides == mine:
            return number
    return None


def _tables(plan: PlanTree, at: int | None) -> frozenset[str]:
    span = plan.subtree(at) if at is not None else range(0)
    names = (getattr(plan.nodes[n], "relation_name", None) for n in span)
    schema = (getattr(plan.nodes[n], "schema_name", None) for n in span)
    return frozenset(f"{s}.{n}" if s else n for n, s in zip(names, schema, strict=True) if n)
