"""Which of two paths the planner keeps, by the rule that every comparison of methods goes by.

Source: compare_path_costs_fuzzily and add_path in optimizer/util/pathnode.c. That the 1 % delays a flip as here is
measured on live servers in tests/cost/live/test_switch_point.py.
"""

from __future__ import annotations

from functools import partial

from hypothesis import given
from hypothesis import strategies as st

from rowreckon.cost import PathCost
from rowreckon.document.audit import Method
from rowreckon.joins.above.add_path import ON_GATHER, replaces
from rowreckon.joins.facts.inputs import Point
from rowreckon.joins.ways.all_ways import JoinWay
from rowreckon.joins.ways.model import JoinModel


def path(startup: float, total: float) -> PathCost:
    """A path of which only the costs matter."""
    return PathCost(startup, total, 100.0, 8, startup, total)


def test_one_per_cent_is_forgiven() -> None:
    """Within 1 % of the total the earlier first row decides; beyond, the total does."""
    late = path(50.0, 100.0)
    assert replaces(path(1.0, 100.9), late)
    assert not replaces(late, path(1.0, 100.9))
    assert not replaces(path(1.0, 101.1), late)
    assert replaces(late, path(1.0, 101.1))


def test_the_first_of_equals_stays() -> None:
    """Offered at the same price, the first is kept; a hair's breadth cheaper replaces it."""
    assert not replaces(path(1.0, 100.0), path(1.0, 100.0))
    assert replaces(path(1.0, 99.9), path(1.0, 100.0))
    assert not replaces(path(1.005, 100.5), path(1.0, 100.0))


def test_a_dearer_path_within_the_tolerance_can_win() -> None:
    """Total 0.4 % dearer, startup far lower: it removes the cheaper path, in whatever order they are offered."""
    hashed, nested = path(359.77, 1121.63), path(0.29, 1125.94)
    assert replaces(nested, hashed)
    assert not replaces(hashed, nested)


costs = st.tuples(st.floats(0.0, 1e6), st.floats(0.0, 1e6)).map(lambda c: path(c[0], c[0] + c[1]))


@given(costs, costs)
def test_two_paths_never_replace_each_other(one: PathCost, other: PathCost) -> None:
    """No source: a property of a rule that the live tests compare with servers."""
    assert not (replaces(one, other) and replaces(other, one))


def _model(*ways: tuple[Method, PathCost]) -> JoinModel:
    """A model of ways that cost the same at any rows, some of them below a Gather."""
    made = [JoinWay(method, "", None, False, "catalog", partial(_same, path)) for method, path in ways]
    return JoinModel(tuple(made), None, 1.0, 0.0, gathers=True)


def _same(path: PathCost, point: Point) -> PathCost:
    return path


def test_what_stands_on_a_gather_is_weighed_as_a_gather() -> None:
    """Of two that can't run below another Gather the sooner one wins within 1%; neither drives out what could."""
    late, soon = path(50.0, 100.0), path(1.0, 100.5)
    over, gather = late._replace(kind=ON_GATHER), soon._replace(kind="Gather")
    here = Point(1.0, 1.0)

    assert _model(("hash", over), ("nested_loop", gather)).leader(here) == "nested_loop"
    assert _model(("hash", late), ("nested_loop", gather)).leader(here) == "hash"
    assert _model(("hash", late), ("nested_loop", soon._replace(kind=ON_GATHER))).leader(here) == "hash"
    assert _model(("hash", late), ("nested_loop", soon)).leader(here) == "nested_loop"


def test_a_method_costs_what_is_kept_of_its_paths() -> None:
    """What a server shows of one method alone: of its paths within 1% the one offered first, or that starts sooner."""
    first, later, sooner = path(28.0, 155.3), path(127.0, 154.5), path(1.0, 156.0)
    here = Point(1.0, 1.0)

    assert _model(("hash", first), ("hash", later)).costs(here) == {"hash": 155.3}
    assert _model(("hash", first), ("hash", sooner)).costs(here) == {"hash": 156.0}
    assert _model(("hash", first), ("hash", path(28.0, 150.0))).costs(here) == {"hash": 150.0}
