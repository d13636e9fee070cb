"""Which nodes of a plan its picture shows: what is slow, wrong or judged, and what that hangs on; the rest folds."""

from __future__ import annotations

from rowreckon.document.audit import Node, Plan
from rowreckon.report.words.numbers import count_of, milliseconds, number, times
from rowreckon.report.words.once import once_a_plan

_WHOLE_UP_TO = 9
_AT_MOST = 60
_SLOW = 0.05  # share of the execution time from which a node of its own matters
MISESTIMATED = 10.0
"""The q-error from which on a row count is called misestimated in the picture: an order of magnitude."""


def safe_error(node: Node) -> float:
    """The q-error between the nearest ends of both intervals; 1 where none is known."""
    return node.q_error_low if node.q_error_low is not None else node.q_error or 1.0


@once_a_plan
def entering(plan: Plan) -> dict[int, float]:
    """Nodes at which an error enters, with its factor: those that joins suffer from, and any of an order or more."""
    found = {
        node.id: node.q_error_here
        for node in plan.nodes
        if node.q_error_here is not None and node.q_error_here >= MISESTIMATED <= safe_error(node)
    }
    for origin in plan.origins:
        found.setdefault(origin.node, origin.q_error_here or 1.0)
    return found


def shown_nodes(plan: Plan, *, whole: bool = False) -> set[int]:
    """Ids of the nodes that get a line of their own; all of a short plan, or with `whole` of any."""
    if whole or len(plan.nodes) <= _WHOLE_UP_TO:
        return {node.id for node in plan.nodes}
    ranked = _importance(plan)
    wanted = {node.path for node in ranked} | {node.path[:-1] for node in ranked}
    by_path = {node.path: node.id for node in plan.nodes if node.path in wanted}
    kept = {plan.nodes[0].id}
    for node in ranked:
        if len(kept) >= _AT_MOST:
            break
        kept.add(node.id)
        path = node.path
        # The node's parent says where it hangs; the whole chain up would fill the page in a deep plan.
        if path and path[:-1] in by_path and len(kept) < _AT_MOST:
            kept.add(by_path[path[:-1]])
    return kept


def _importance(plan: Plan) -> list[Node]:
    """The nodes that matter, the most important first."""
    verdicts = {join.node: join.verdict for join in plan.joins}
    sides = {side.node for join in plan.joins if join.verdict != "accurate" for side in (join.outer, join.inner)}
    found = {finding.node for finding in plan.findings}
    enters = entering(plan)
    spent = {item.node for item in plan.time_elsewhere if item.node is not None and item.ms is not None}
    whole = plan.execution_ms or 0.0

    def weight(node: Node) -> float:
        score = {"crossed": 100.0, "undecided": 40.0, "held": 30.0}.get(verdicts.get(node.id, ""), 0.0)
        score += 60.0 * (node.id in enters) + 50.0 * (node.id in found) + 20.0 * (node.id in sides)
        part = (node.own_ms or 0.0) / whole if whole else 0.0
        score += 30.0 * (node.id in spent and part >= _SLOW)
        score += 5.0 if safe_error(node) >= MISESTIMATED else 0.0
        return score + (50.0 * part if part >= _SLOW else 0.0)

    named = {id_ for id_, verdict in verdicts.items() if verdict != "accurate"} | sides | found | set(enters)
    least = whole * _SLOW if whole else 0.0
    noted = [n for n in plan.nodes if n.id in named or (least and (n.own_ms or 0.0) >= least) or _is_wrong(n)]
    return sorted(noted, key=lambda node: (-weight(node), node.id))


def _is_wrong(node: Node) -> bool:
    return (node.q_error_low or node.q_error or 1.0) >= MISESTIMATED <= safe_error(node)


def fold_words(nodes: list[Node]) -> str:
    """`7 nodes, as expected, 0.4 ms`: what a line says of nodes that are folded, misestimates among them included."""
    wrong = sum(safe_error(node) >= MISESTIMATED for node in nodes)
    parts = [count_of(len(nodes), "node")]
    if wrong:
        worst = max(safe_error(node) for node in nodes)
        parts.append(f"{number(wrong)} of them misestimated, the worst {times(worst)}")
    elif any(node.q_error is not None for node in nodes):
        parts.append("as expected")
    spent = [node.own_ms for node in nodes if node.own_ms is not None]
    if spent:
        parts.append(milliseconds(sum(spent)))
    return ", ".join(parts)
