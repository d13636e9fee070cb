"""The planner's own figures: used where a re-planned query kept everything but the join's method, refused elsewhere."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from .live import SERIAL, Connection, capture, explain, judge, kept_or_live, live_and_kept, only

TABLES = """
create table hut(id int primary key, region int, kind int, label text);
insert into hut select i, i % 100, i % 100, 'hut ' || i from generate_series(1, 20000) i;
create table booking(id int, hut_id int, nights int, note text);
insert into booking select i, (i::bigint * 7919) % 20000 + 1, i % 14, repeat('n', 30) from generate_series(1, 60000) i;
create index booking_hut on booking(hut_id);
create table guest(id int primary key, name text);
insert into guest select i, 'guest ' || i from generate_series(1, 60000) i;
analyze hut; analyze booking; analyze guest;
"""
QUERY = "select h.label, b.note from hut h join booking b on b.hut_id = h.id where h.region = 7 and h.kind = 7"


@pytest.fixture(scope="module", params=live_and_kept(__file__))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with huts and bookings; region and kind always agree."""
    with kept_or_live(request, TABLES) as session:
        yield session


def test_curves_pass_through_the_servers_figures(connection: Connection) -> None:
    """Each method's cost at the estimate is the server's to the cent, and says so."""
    others = tuple(only(method) for method in ("nested_loop", "hash", "merge"))
    (join,) = judge(capture(connection, QUERY, alternatives=others))

    for method, settings in zip(("nested_loop", "hash", "merge"), others, strict=True):
        with connection.transaction(force_rollback=True):
            for name, value in (SERIAL | settings).items():
                connection.execute(f"set local {name} = '{value}'".encode())
            printed = float(explain(connection, QUERY).plan.total_cost or 0)
        cost = join.costs[method]  # type: ignore[index]
        assert cost.comparable
        assert cost.basis_at_estimate == "planner"
        assert cost.at_estimate == pytest.approx(printed, abs=0.02)
    assert join.asked_of == "server"


def test_an_alternative_of_a_stand_in_says_so(connection: Connection) -> None:
    """Whose planner gave the figures stands beside them; a join without such figures names none."""
    asked = capture(connection, QUERY, alternatives=(only("hash"),))
    told = (each.model_copy(update={"asked_of": "stand_in"}) for each in asked.alternatives)
    (join,) = judge(asked.model_copy(update={"alternatives": tuple(told)}))
    (alone,) = judge(asked.model_copy(update={"alternatives": ()}))

    assert join.asked_of == "stand_in"
    assert alone.asked_of is None


def test_crossed_with_the_borders_that_belong_to_it(connection: Connection) -> None:
    """Two huts were expected and two hundred came: a hash join would have been cheaper, and the origin is the scan."""
    (join,) = judge(capture(connection, QUERY))

    assert (join.verdict, join.method, join.best_at_actual) == ("crossed", "nested_loop", "hash")
    assert join.outer.actual_rows == 200
    (origin,) = join.safe_origins
    (point,) = [p for p in join.switch_points if p.along == "outer" and p.inner_at == "actual" and p.to == "hash"] or [
        p for p in join.switch_points if p.along == "outer" and p.to == "hash"
    ]
    assert point.outer_rows is not None
    assert join.outer.estimated_rows is not None
    assert origin.safe_q_error is not None
    assert origin.q_error_here is not None
    assert origin.safe_q_error < origin.q_error_here
    # with the error shrunk so far, the outer rows end just below the border
    rows = join.outer.actual_rows * origin.safe_q_error / origin.q_error_here
    assert rows == pytest.approx(point.outer_rows - 1, rel=0.01)


def test_another_tree_is_not_comparable(connection: Connection) -> None:
    """Over three tables a switch changes the lower join too: the figure is refused, with the reason."""
    query = f"{QUERY.replace('select h.label, b.note from', 'select * from')} and b.nights < 3"
    query = query.replace(" where ", " join guest g on g.id = b.id where ")
    joins = judge(capture(connection, query, alternatives=(only("hash"), only("merge"))))
    top = joins[0]

    refused = [c for m, c in top.costs.items() if m != top.method and not c.comparable]
    assert all(c.not_comparable_reason for c in refused)
    assert all(c.basis_at_estimate != "planner" for c in refused)


def test_limit_compares_the_fraction(connection: Connection) -> None:
    """Under LIMIT 1 a hash join's startup weighs, so that the nested loop leads further out than without."""
    query = "select * from hut h join booking b on b.hut_id = h.id where h.region < 30"
    (whole,) = judge(capture(connection, query))
    (first,) = judge(capture(connection, f"{query} limit 1"))

    assert whole.method == "hash"
    assert first.method == "nested_loop"
    assert first.margin is not None
    costs = {m: c.at_estimate for m, c in first.costs.items()}
    assert costs["nested_loop"] is not None
    assert costs["nested_loop"] < min(c for m, c in costs.items() if m != "nested_loop" and c is not None)


def test_margin_without_actuals(connection: Connection) -> None:
    """A plan that was never run is undecided, yet says how far its outer rows may grow."""
    (join,) = judge(capture(connection, QUERY, analyze=False))

    assert join.verdict == "undecided"
    assert join.margin is not None
    assert join.margin.up is not None
    assert join.margin.up > 1
