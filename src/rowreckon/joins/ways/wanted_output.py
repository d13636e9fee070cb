"""What is wanted of a join's output: only the first rows of it, and perhaps in an order.

A LIMIT wants a fixed number of rows, whatever the estimate; their fraction depends on how many the join gives. Where an
ORDER BY, a grouping or a merge join above relies on the join's order, a way without that order would be sorted first.
Source: preprocess_limit and create_ordered_paths in optimizer/plan/planner.c, get_cheapest_fractional_path and
match_unsorted_outer in optimizer/path, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from rowreckon.cost import CostSettings, PathCost, cost_sort, fractional_cost
from rowreckon.cost.units import clamp_row_est
from rowreckon.frozen import frozen
from rowreckon.joins.facts.inputs import JoinInput, Point
from rowreckon.joins.facts.limits import wanted_share
from rowreckon.joins.ways.all_ways import CostAt, JoinWay
from rowreckon.plan.nodes import (
    AggregateNode,
    GatherNode,
    JoinNode,
    LimitNode,
    MaterializeNode,
    PassNode,
    WindowAggNode,
)
from rowreckon.plan.tree import PlanTree
from rowreckon.sql.questions import sorts_rows


@frozen
class Wanted:
    """`share` times the estimated output are fetched, a number of rows that stays the same; None: all of any output.

    `order` is the order that is taken as it comes, empty where none is; `width` that of the output (bytes).
    """

    share: float | None
    order: tuple[str, ...]
    width: int


def wanted_of(tree: PlanTree, number: int, order: tuple[str, ...], query: str | None) -> Wanted:
    """What is wanted of the join at `number`, which delivers in an order (none: empty)."""
    wanted = order if order and _is_taken(tree, number, query) else ()
    return Wanted(wanted_share(tree, number), wanted, int(tree.nodes[number].plan_width or 0))


def _is_taken(tree: PlanTree, number: int, query: str | None) -> bool:
    """Whether something above makes use of the order in which a join delivers."""
    at = number
    while at > 0:
        above = tree.parent[at]
        node, child = tree.nodes[above], tree.nodes[at]
        if child.parent_relationship in ("InitPlan", "SubPlan"):
            return False
        if isinstance(node, AggregateNode):
            return node.strategy == "Sorted"
        if isinstance(node, WindowAggNode) or node.node_type in ("Unique", "Gather Merge"):
            return True
        if isinstance(node, JoinNode):
            if node.node_type == "Merge Join":
                return True
            if node.node_type == "Hash Join" or child.parent_relationship != "Outer":
                return False
        elif not isinstance(node, (LimitNode, MaterializeNode, PassNode)) or isinstance(node, GatherNode):
            return False
        at = above
    return query is not None and sorts_rows(query)


def as_wanted(settings: CostSettings, join: JoinInput, ways: list[JoinWay], wanted: Wanted) -> list[JoinWay]:
    """The ways with the cost of what is wanted of them; `JoinWay.whole` keeps the whole one."""
    if wanted.share is None and not wanted.order:
        return ways
    expected = max(join.output_rows * (join.processes if join.workers > 0 else 1.0), 1.0)
    fetched = None if wanted.share is None else max(wanted.share * expected, 1.0)
    rows_at = _output_rows(join, expected)
    found: list[JoinWay] = []
    for way in ways:
        sorted_width = 0 if _delivers(way, wanted) else max(wanted.width, 1)
        cost = _cost(settings, way.cost, rows_at, fetched, sorted_width)
        found.append(replace(way, cost=cost, whole=way.whole or way.cost))
    return found


def _delivers(way: JoinWay, wanted: Wanted) -> bool:
    return not wanted.order or wanted.order[0] in way.order


def _cost(
    settings: CostSettings,
    whole: CostAt,
    rows_at: Callable[[Point], float],
    fetched: float | None,
    sorted_width: int,
) -> CostAt:
    """A way's cost for the first `fetched` rows (None: all); sorted first where a width in bytes is given."""

    def cost(point: Point) -> PathCost:
        path, rows = whole(point), rows_at(point)
        if sorted_width > 0:
            kept = path._replace(rows=rows, width=sorted_width)
            path = cost_sort(settings, kept, -1.0 if fetched is None else fetched)._replace(kind=path.kind)
        if fetched is None or fetched >= rows:
            return path
        return path._replace(total_cost=fractional_cost(path, fetched / rows))

    return cost


def _output_rows(join: JoinInput, expected: float) -> Callable[[Point], float]:
    """The join's rows at a point, over all processes."""
    stops = join.kind in ("Semi", "Anti")

    def rows_at(point: Point) -> float:
        moved = point.outer / max(join.outer.rows, 1.0)
        if not stops:
            moved *= point.ratio * max(point.inner, 1.0) / max(join.inner.rows, 1.0)
        return clamp_row_est(expected * moved)

    return rows_at
