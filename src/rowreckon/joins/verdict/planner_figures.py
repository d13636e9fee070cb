"""What the planner itself said that a method would cost: the same query re-planned with methods switched off.

A switch changes the whole tree, so a figure counts only where the same join stands over the same inputs: the same
tables on both sides, the same rows, the same lower joins at the same cost, the same parallelism.
"""

from __future__ import annotations

from rowreckon.capture import Capture
from rowreckon.cost.units import DISABLE_COST
from rowreckon.counts.parallel import find_parallelism
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import AskedOf, Method
from rowreckon.frozen import frozen
from rowreckon.joins.facts.sides import METHODS, JoinFacts
from rowreckon.plan.nodes import HashNode, IncrementalSortNode, JoinNode, MaterializeNode, MemoizeNode, SortNode
from rowreckon.plan.tree import PlanTree, alias_of, lay_out

_WRAPPERS = (HashNode, SortNode, IncrementalSortNode, MaterializeNode, MemoizeNode)
_CENT = 0.0101


@frozen
class PlannerFigure:
    """A method's startup and total cost by the planner, whose planner that was, or why its plan can't be compared."""

    startup_cost: float | None
    total_cost: float | None
    turned: bool = False
    reason: str | None = None
    asked_of: AskedOf = "server"


def planner_figures(capture: Capture, reckoned: ReckonedTree, facts: JoinFacts) -> dict[Method, PlannerFigure]:
    """The planner's figure for each method that an alternative plan used at this join."""
    found: dict[Method, PlannerFigure] = {}
    if not capture.alternatives:
        return found
    mine = _sides(reckoned.tree, facts.node)
    own_partial = reckoned.parallelism.partial[facts.node]
    for alternative in capture.alternatives:
        tree = lay_out(alternative.explain.plan)
        partial = find_parallelism(tree).partial
        for number in tree.joins():
            node = tree.nodes[number]
            method = METHODS.get(node.node_type)
            if method is None or method == facts.method:
                continue
            theirs = _sides(tree, number)
            turned = theirs == mine[::-1]
            if theirs != mine and not turned:
                continue
            same_parallelism = partial[number] == own_partial
            figure = _compare(reckoned.tree, facts, tree, number, turned, same_parallelism, alternative.asked_of)
            held = found.get(method)
            if held is None or _better(figure, held):
                found[method] = figure
    return found


def _compare(
    own: PlanTree,
    facts: JoinFacts,
    tree: PlanTree,
    number: int,
    turned: bool,
    same_parallelism: bool,
    asked_of: AskedOf,
) -> PlannerFigure:
    node, mine = tree.nodes[number], own.nodes[facts.node]
    total, startup = float(node.total_cost or 0), float(node.startup_cost or 0)
    reason: str | None = None
    if total >= DISABLE_COST:
        reason = "the plan still holds a method that was switched off"
    elif not same_parallelism:
        reason = "one plan runs the join in parallel, the other does not"
    elif (node.plan_rows or 0) != (mine.plan_rows or 0):
        reason = "the re-planned join expects another number of rows"
    else:
        for side in ("Outer", "Inner"):
            other = {"Outer": "Inner", "Inner": "Outer"}[side] if turned else side
            if not _same_input(own, facts.node, side, tree, number, other):
                reason = f"the {side.lower()} side was planned differently"
                break
    if reason is not None:
        return PlannerFigure(None, None, turned, reason, asked_of)
    return PlannerFigure(startup, total, turned, asked_of=asked_of)


def _same_input(own: PlanTree, number: int, side: str, tree: PlanTree, other: int, other_side: str) -> bool:
    """Whether two inputs are the same: any access will do to a single relation, a lower join has to be the same."""
    mine, theirs = own.side(number, side), tree.side(other, other_side)
    if mine is None or theirs is None:
        return False
    left, right = _beneath(own, mine), _beneath(tree, theirs)
    joins_left = any(isinstance(own.nodes[n], JoinNode) for n in own.subtree(left))
    joins_right = any(isinstance(tree.nodes[n], JoinNode) for n in tree.subtree(right))
    if not joins_left and not joins_right:
        return True
    if joins_left != joins_right or own.end[left] - left != tree.end[right] - right:
        return False
    for one, two in zip(own.subtree(left), tree.subtree(right), strict=True):
        a, b = own.nodes[one], tree.nodes[two]
        if a.node_type != b.node_type or a.plan_rows != b.plan_rows:
            return False
        if abs((a.total_cost or 0) - (b.total_cost or 0)) > _CENT:
            return False
    return True


def _beneath(tree: PlanTree, number: int) -> int:
    while isinstance(tree.nodes[number], _WRAPPERS) and len(tree.inputs(number)) == 1:
        number = tree.inputs(number)[0]
    return number


def _sides(tree: PlanTree, number: int) -> tuple[frozenset[str], frozenset[str]]:
    outer, inner = tree.outer(number), tree.inner(number)
    assert outer is not None
    assert inner is not None
    return _aliases(tree, outer), _aliases(tree, inner)


def _aliases(tree: PlanTree, number: int) -> frozenset[str]:
    names = (alias_of(tree.nodes[n]) for n in tree.subtree(number))
    return frozenset(name for name in names if name is not None)


def _better(one: PlannerFigure, other: PlannerFigure) -> bool:
    if one.total_cost is None:
        return False
    return other.total_cost is None or one.total_cost < other.total_cost
