"""How often the planner took a nested loop's inner side to be executed, and how that moves with the outer rows.

Source: get_loop_count in optimizer/path/indxpath.c, releases 13 to 18.
"""

from __future__ import annotations

from math import ceil, floor, log

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.joins.facts.sides import JoinFacts, Side
from rowreckon.joins.from_plan.candidate_counts import evenly_between
from rowreckon.plan.nodes import GatherNode, ScanNode
from rowreckon.plan.tree import alias_of

_LEAST_CHANGE = 0.01
"""The outer rows' change, as a logarithm, from which another relation's is compared with it."""


@frozen
class Loops:
    """How often the planner took the inner side to be scanned, and how that moves with the join's outer rows.

    `rows` are those of the smallest relation that supplies a parameter, one of `whole` where the plan prints the share
    of one process. `exponent` is 1 where they are the outer side's own; where that is a join, they grow as this power
    of its rows.
    """

    rows: float
    outer_rows: float
    exponent: float
    whole: tuple[float, ...] = ()

    def at(self, outer_rows: float) -> float:
        """Executions that are reckoned with at so many outer rows (of one process)."""
        moved = outer_rows / self.outer_rows
        if self.exponent != 1.0:
            moved = float(max(moved, 1e-9) ** self.exponent)
        return max(self.rows * moved, 1.0)


def loops_of(reckoned: ReckonedTree, facts: JoinFacts) -> Loops | None:
    """Executions that the planner reckoned a scan for; None where the plan does not tell."""
    tree, calls = reckoned.tree, max(facts.outer.planner_rows, 1.0)
    if facts.outer.scan is not None or isinstance(tree.nodes[facts.outer.node], GatherNode):
        shares = facts.outer.processes
        whole = _whole(calls, shares) if shares > 1.0 and facts.outer.scan is not None else ()
        return Loops(max(calls * shares, 1.0), calls, 1.0, whole)
    wanted = {c.outer_alias for c in facts.clauses if c.inner_node is not None or not facts.inner.parameterised}
    return _of_smallest(reckoned, facts.outer, wanted)


def turned_loops(reckoned: ReckonedTree, facts: JoinFacts) -> Loops | None:
    """Executions that the planner would reckon a scan of the outer side for, were it searched by each row of a join on
    the inner side; None where the plan does not tell."""
    return _of_smallest(reckoned, facts.inner, {c.inner_alias for c in facts.clauses})


def _of_smallest(reckoned: ReckonedTree, driver: Side, wanted: set[str | None]) -> Loops | None:
    """Executions by the smallest relation of a side, among these aliases, that gives a parameter."""
    tree = reckoned.tree
    best: tuple[float, float | None] | None = None
    for number in tree.subtree(driver.node):
        node = tree.nodes[number]
        if not isinstance(node, ScanNode) or alias_of(node) not in wanted:
            continue
        count = reckoned.counts[number]
        if (count.planned_loops or 1.0) > 1.0:
            return None  # its rows are those of one execution
        rows = float(node.plan_rows or 1.0) * reckoned.parallelism.divisor(number)
        if best is None or rows < best[0]:
            best = (rows, count.actual if count.state == "exact" else None)
    if best is None:
        return None
    return Loops(max(best[0], 1.0), max(driver.planner_rows, 1.0), _exponent(driver, *best))


def _whole(share: float, processes: float) -> tuple[float, ...]:
    """Whole row counts of which each process is reckoned to get so many (clamp_row_est)."""
    least = 1 if share <= 1.0 else ceil((share - 0.5) * processes)
    most = max(floor((share + 0.5) * processes), least)
    return tuple(evenly_between(float(least), float(most)))


def _exponent(driver: Side, rows: float, actual: float | None) -> float:
    """How the rows of the relation that gives parameters moved, as a power of how the side's did."""
    came, expected = driver.actual_rows, driver.planner_rows
    if not actual or not came or not expected or abs(log(came / expected)) < _LEAST_CHANGE:
        return 0.0
    return min(max(log(actual / rows) / log(came / expected), 0.0), 0.999)
