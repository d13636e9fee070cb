"""Indexes that serve a part of the rows, an expression or another access method, against live servers of 13 to 18."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon import releases
from rowreckon.plan import lay_out

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only

TABLES = """
create table guest(id int, week int, season int, pad text);
insert into guest select g, g % 200, g % 200, repeat('g', 30) from generate_series(1, 20000) g;
create table visit(guest int, nights int, state text, bill int, pad text);
insert into visit select (g::bigint * 7919) % 20000 + 1, g % 30, case when g % 10 = 0 then 'open' else 'paid' end,
  case when g % 3 = 0 then g end, repeat('v', 20) from generate_series(1, 100000) g;
"""
QUERY = "select g.id, v.pad from guest g join visit v on v.guest = g.id where g.week < {0} and g.season < {0} and {1}"
INDEXES = {
    "implied": ("create index visit_some on visit(guest) where state = 'open'", "v.state = 'open'"),
    "implied among others": (
        "create index visit_some on visit(guest) where nights < 5",
        "v.nights < 5 and v.state = 'open'",
    ),
    "bound closer": ("create index visit_some on visit(guest) where nights < 5", "v.nights < 3"),
    "never null": ("create index visit_some on visit(guest) where guest is not null", "v.nights < 5"),
    "wanted not null": ("create index visit_some on visit(guest) where bill is not null", "v.bill is not null"),
    "compared": ("create index visit_some on visit(guest) where bill is not null", "v.bill > 0"),
    "not implied": ("create index visit_some on visit(guest) where nights < 5", "v.nights < 9"),
    "not mentioned": ("create index visit_some on visit(guest) where bill is null", "v.nights < 5"),
}


@pytest.fixture(scope="module", params=live_and_kept(__file__, releases.MODELLED))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with guests and visits."""
    with kept_or_live(request, "", TABLES) as session:
        yield session


@pytest.mark.oldest_and_newest
@pytest.mark.parametrize("weeks", [2, 150])
@pytest.mark.parametrize("case", INDEXES)
def test_partial_index_is_priced_where_the_conditions_imply_it(connection: Connection, case: str, weeks: int) -> None:
    """What a nested loop costs with and without such an index, whether or not the plan uses it: the server's figure."""
    build, condition = INDEXES[case]
    query = QUERY.format(weeks, condition)
    connection.execute("drop index if exists visit_some")
    connection.execute(build.encode())
    connection.execute("vacuum analyze")
    (join,) = judge(capture(connection, query, settings=SERIAL))
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL | only("nested_loop"))
        plan = lay_out(explain(connection, query).plan)
    uses = any(getattr(node, "index_name", None) == "visit_some" for node in plan.nodes)

    assert uses == (not case.startswith("not "))
    assert "visit_some" not in join.why
    assert join.costs["nested_loop"].at_estimate == pytest.approx(float(plan.nodes[0].total_cost or 0), rel=0.01)


@pytest.mark.oldest_and_newest
@pytest.mark.parametrize(
    ("build", "on"),
    [
        ("create index visit_some on visit using hash (guest)", "v.guest = g.id"),
        ("create index visit_some on visit((guest + 0))", "v.guest + 0 = g.id"),
    ],
    ids=["hash", "expression"],
)
def test_indexes_of_another_kind_are_priced(connection: Connection, build: str, on: str) -> None:
    """Far fewer guests came than expected: the server then takes the index, at the cost that stands here."""
    many, few = _queries(connection, build, on)
    (join,) = judge(capture(connection, many, settings=SERIAL))
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL)
        right = lay_out(explain(connection, few).plan)
        apply(connection, only("nested_loop"))
        loop = lay_out(explain(connection, many).plan)

    assert join.method != "nested_loop"
    assert right.nodes[right.joins()[0]].node_type == "Nested Loop"
    assert any(getattr(node, "index_name", None) == "visit_some" for node in loop.nodes)
    assert join.costs["nested_loop"].at_estimate == pytest.approx(float(loop.nodes[0].total_cost or 0), abs=0.011)
    assert join.residual == pytest.approx(1.0, abs=1e-4)
    assert join.verdict == "crossed"


@pytest.mark.oldest_and_newest
def test_index_without_a_price_leaves_open_what_it_could_win(connection: Connection) -> None:
    """The server proves that a list of values lies within the index's predicate; nothing here does, and says so."""
    build = "create index visit_some on visit(guest) where nights < 25"
    listed = "v.nights in (1, 2, 4, 6, 7, 8, 10, 11, 12, 13, 14)"
    many, few = _queries(connection, build, f"v.guest = g.id and {listed}")
    (join,) = judge(capture(connection, many, settings=SERIAL))
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL)
        right = lay_out(explain(connection, few).plan)

    assert join.method != "nested_loop"
    assert right.nodes[right.joins()[0]].node_type == "Nested Loop"
    assert any(getattr(node, "index_name", None) == "visit_some" for node in right.nodes)
    assert join.verdict == "undecided"
    assert "visit_some" in join.why


@pytest.mark.oldest_and_newest
def test_plan_does_not_rule_out_an_index_that_is_searched_by_skipping(connection: Connection) -> None:
    """Many guests were expected and few came. Where the server then searches an index behind its first column, as from
    18 on, the plan alone never says that the hash join was right to stay."""
    cheap = SERIAL | {"random_page_cost": "1.1"}
    many, few = _queries(connection, "create index visit_some on visit(state, guest)", "v.guest = g.id")
    (join,) = judge(capture(connection, many, settings=cheap, catalog=False))
    with connection.transaction(force_rollback=True):
        apply(connection, cheap)
        right = lay_out(explain(connection, few).plan)

    searched = any(getattr(node, "index_name", None) == "visit_some" for node in right.nodes)
    assert join.method == "hash"
    assert searched == (connection.info.server_version >= 180000)
    assert not (searched and join.verdict == "held")


def _queries(connection: Connection, build: str, on: str) -> tuple[str, str]:
    """With that index alone: a query that expects too many guests, and one that expects the few that come."""
    connection.execute("drop index if exists visit_some")
    connection.execute(build.encode())
    connection.execute("vacuum analyze")
    select = f"select g.id, v.pad from guest g join visit v on {on} where"
    return f"{select} g.week < 150 and g.season >= 149", f"{select} g.week = 149"
