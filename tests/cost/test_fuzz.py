"""The planner's comparison of paths.

Source: compare_path_costs_fuzzily, add_path and compare_fractional_path_costs in optimizer/util/pathnode.c. That the
1 % delays a flip as here is measured on live servers in live/test_switch_point.py.
"""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from rowreckon.cost import (
    CostComparison,
    PathCost,
    add_path,
    choose_path,
    compare_fractional_path_costs,
    compare_path_costs,
    compare_path_costs_fuzzily,
    fractional_cost,
)


def path(startup: float, total: float, kind: str = "", disabled: int = 0) -> PathCost:
    """A path of which only the costs matter."""
    return PathCost(startup, total, 100.0, 8, startup, total, disabled, kind)


def test_one_per_cent_is_forgiven() -> None:
    """Within 1 % of the total the earlier first row decides; beyond, the total does."""
    late, soon = path(50.0, 100.0), path(1.0, 100.9)
    assert compare_path_costs_fuzzily(late, soon) is CostComparison.BETTER2
    assert compare_path_costs_fuzzily(late, path(1.0, 101.1)) is CostComparison.BETTER1
    assert compare_path_costs_fuzzily(path(1.0, 100.5), path(1.005, 100.0)) is CostComparison.EQUAL


def test_where_few_rows_are_wanted_an_early_start_is_an_excuse() -> None:
    """Neither dominates: one starts sooner, the other ends sooner."""
    late, soon = path(50.0, 100.0), path(1.0, 300.0)
    assert compare_path_costs_fuzzily(soon, late, consider_startup=True) is CostComparison.DIFFERENT
    assert compare_path_costs_fuzzily(soon, late) is CostComparison.BETTER2
    assert choose_path([late, soon]) == late
    assert choose_path([late, soon], fraction=0.01) == soon


def test_disabled_nodes_come_first() -> None:
    """From 18 a path without disabled nodes wins at any price."""
    cheap, clean = path(0.0, 1.0, disabled=1), path(0.0, 1e6)
    assert compare_path_costs(cheap, clean) == 1
    assert compare_fractional_path_costs(cheap, clean, 0.1) == 1
    assert compare_path_costs_fuzzily(cheap, clean) is CostComparison.BETTER2
    assert choose_path([cheap, clean]) == clean


def test_the_first_of_equals_stays() -> None:
    """Offered twice at the same price, the first is kept; a hair's breadth cheaper replaces it."""
    first, second = path(1.0, 100.0, "a"), path(1.0, 100.0, "b")
    assert add_path((first,), second) == (first,)
    assert add_path((first,), path(1.0, 99.9, "c")) == (path(1.0, 99.9, "c"),)


def test_a_dearer_path_within_the_fuzz_can_win() -> None:
    """Total 0.9 % dearer, startup far lower: it removes the cheaper path."""
    hashed, nested = path(359.77, 1121.63), path(0.29, 1125.94)
    assert choose_path([nested, hashed]) == nested
    assert choose_path([hashed, nested]) == nested


costs = st.tuples(st.floats(0.0, 1e6), st.floats(0.0, 1e6)).map(lambda c: path(c[0], c[0] + c[1]))


@given(costs, costs)
def test_comparison_is_mirrored(a: PathCost, b: PathCost) -> None:
    """Turned round, better becomes worse."""
    mirror = {CostComparison.BETTER1: CostComparison.BETTER2, CostComparison.BETTER2: CostComparison.BETTER1}
    one, other = compare_path_costs_fuzzily(a, b), compare_path_costs_fuzzily(b, a)
    assert other is mirror.get(one, one)
    assert compare_path_costs(a, b) == -compare_path_costs(b, a)


@given(st.lists(costs, min_size=1, max_size=8), st.floats(0.001, 1.0))
def test_the_choice_is_never_far_from_the_cheapest(paths: list[PathCost], fraction: float) -> None:
    """Where every row is wanted, what is taken costs at most 1 % more for each path that was forgiven."""
    chosen = choose_path(paths)
    assert chosen is not None
    least = min(p.total_cost for p in paths)
    assert chosen.total_cost <= least * 1.01 ** len(paths)
    some = choose_path(paths, fraction=fraction)
    assert some is not None
    assert fractional_cost(some, 1.0) == some.total_cost or fractional_cost(some, 1.0) > 0.0


def test_nothing_offered() -> None:
    """No path, no choice."""
    assert choose_path([]) is None
