"""Each node's own time: wall-clock ms that neither its inputs nor its subqueries account for.

Printed times are averages per loop; below a Gather the loops run side by side in several processes, so the sum over
loops is divided by the processes that took part. InitPlans run inside whichever node first asks for their value.
"""

from __future__ import annotations

import re

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.plan.nodes import CteScanNode
from rowreckon.plan.tree import PlanTree

_MOST = 0.9  # of a subquery's time: less than all, since printed times are rounded
_PARAMETER = re.compile(r"\$\d+")


def wall_times(reckoned: ReckonedTree) -> list[float | None]:
    """Per node the wall-clock ms spent in it and below it, over all loops; None without timing or if never run."""
    times: list[float | None] = []
    for number, node in enumerate(reckoned.tree.nodes):
        if node.actual_total_time is None:
            times.append(None)
        else:
            times.append(node.actual_total_time * node.loops / reckoned.counts[number].participants)
    return times


def own_times(reckoned: ReckonedTree) -> list[float | None]:
    """Per node the wall-clock ms that are its own; never below 0, since rounding may make children look dearer."""
    tree = reckoned.tree
    wall = wall_times(reckoned)
    charged: list[float] = [0.0] * len(tree)
    asked: list[int] = []
    for number in range(1, len(tree)):
        spent = wall[number]
        if spent is None:
            continue
        if tree.nodes[number].parent_relationship == "InitPlan":
            asked.append(number)
        else:
            charged[tree.parent[number]] += spent
    for number in asked:
        charged[_payer(tree, number, wall, charged)] += wall[number] or 0.0
    return [None if spent is None else max(spent - charged[number], 0.0) for number, spent in enumerate(wall)]


def _payer(tree: PlanTree, number: int, wall: list[float | None], charged: list[float]) -> int:
    """The node inside whose time an InitPlan ran: the first that names it, or the first above that has that much time.

    A node may ask without naming it: an Append that prunes by the value runs it before its members, which name it.
    """
    above = tree.parent[number]
    name = tree.nodes[number].subplan_name or ""
    spent = wall[number] or 0.0
    for candidate in tree.subtree(above):
        if number <= candidate < tree.end[number]:
            continue
        if tree.nodes[candidate].loops > 0 and _asks_for(tree, candidate, name):
            while candidate != above and (wall[candidate] or 0.0) - charged[candidate] < _MOST * spent:
                candidate = tree.parent[candidate]
            return candidate
    return above


def _asks_for(tree: PlanTree, number: int, name: str) -> bool:
    node = tree.nodes[number]
    if name.startswith("CTE "):
        return isinstance(node, CteScanNode) and node.cte_name == name.removeprefix("CTE ")
    label = name.split(" (", 1)[0]  # "InitPlan 1 (returns $0)" up to 16, "InitPlan 1" from 17
    parameters = [f"{re.escape(parameter)}(?!\\d)" for parameter in _PARAMETER.findall(name)]
    mention = re.compile("|".join([rf"\({re.escape(label)}[ )]", *parameters]))
    return any(isinstance(v, str) and mention.search(v) for k, v in node.__dict__.items() if k != "subplan_name")
