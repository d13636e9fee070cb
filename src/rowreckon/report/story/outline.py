"""The plan outline with its gutter in words; in a long plan only the nodes that matter, and how many were folded."""

from __future__ import annotations

from rowreckon.document.audit import Node, Plan
from rowreckon.frozen import frozen
from rowreckon.report.words.numbers import count_of, milliseconds, number, times
from rowreckon.report.words.sentences import expected_came, node_label

_WHOLE_UP_TO = 40
_AT_MOST = 60
_MISESTIMATED = 10.0
_DEEPEST = 12
_LEAST_MS = 0.005  # below, a time reads as nothing


@frozen
class Row:
    """One line of the outline: a node, or (`node` None) a run of folded nodes described in `gutter`."""

    node: int | None
    depth: int
    label: str
    gutter: str
    time: str = ""
    marks: tuple[str, ...] = ()
    folded: tuple[int, ...] = ()


def _marks(plan: Plan) -> dict[int, list[str]]:
    marks: dict[int, list[str]] = {}
    for join in plan.joins:
        marks.setdefault(join.node, []).append(join.verdict)
    for origin in plan.origins:
        marks.setdefault(origin.node, []).append("error enters here")
    for item in plan.time_elsewhere:
        if item.node is not None and item.ms is not None:
            marks.setdefault(item.node, []).append("time goes here")
    return {node: list(dict.fromkeys(words)) for node, words in marks.items()}


def _q(node: Node) -> float:
    return node.q_error_low if node.q_error_low is not None else node.q_error or 1.0


def _importance(plan: Plan, marks: dict[int, list[str]]) -> list[int]:
    """Ids of the nodes that matter, the most important first."""
    verdicts = {join.node: join.verdict for join in plan.joins}
    sides = {side.node for join in plan.joins if join.verdict != "accurate" for side in (join.outer, join.inner)}
    found = {finding.node for finding in plan.findings}
    whole = plan.execution_ms or 0.0

    def weight(node: Node) -> float:
        score = {"crossed": 100.0, "undecided": 40.0, "held": 30.0}.get(verdicts.get(node.id, ""), 0.0)
        score += 60.0 * ("error enters here" in marks.get(node.id, ()))
        score += (
            50.0 * (node.id in found) + 20.0 * (node.id in sides) + 30.0 * ("time goes here" in marks.get(node.id, ()))
        )
        score += 5.0 if _q(node) >= _MISESTIMATED else 0.0
        return score + (50.0 * (node.own_ms or 0.0) / whole if whole else 0.0)

    weighed = [(weight(node), node.id) for node in plan.nodes]
    return [id_ for score, id_ in sorted(weighed, key=lambda pair: (-pair[0], pair[1])) if score >= 1.0]


def _kept(plan: Plan, marks: dict[int, list[str]], limit: int, whole_up_to: int) -> set[int]:
    if len(plan.nodes) <= min(limit, whole_up_to):
        return {node.id for node in plan.nodes}
    by_path = {node.path: node.id for node in plan.nodes}
    kept = {plan.nodes[0].id}
    paths = {node.id: node.path for node in plan.nodes}
    for id_ in _importance(plan, marks):
        if len(kept) >= limit:
            break
        kept.add(id_)
        path = paths[id_]
        # The node's parent says where it hangs; the whole chain up would fill the page in a deep plan.
        if path and path[:-1] in by_path and len(kept) < limit:
            kept.add(by_path[path[:-1]])
    return kept


def _folded(nodes: list[Node]) -> Row:
    worst = max(nodes, key=_q)
    said = count_of(len(nodes), "node") + " folded"
    wrong = sum(_q(node) >= _MISESTIMATED for node in nodes)
    if wrong:
        said += f", {number(wrong)} of them misestimated, the worst {times(_q(worst))}"
    elif any(node.q_error is not None for node in nodes):
        said += ", no misestimate among them"
    spent = sum(node.own_ms or 0.0 for node in nodes)
    time = milliseconds(spent) if spent else ""
    return Row(None, min(len(nodes[0].path), _DEEPEST), "", said, time, folded=tuple(node.id for node in nodes))


def node_row(plan: Plan, node: Node, marks: tuple[str, ...] = ()) -> Row:
    """One node as a row."""
    level = f"(level {len(node.path)}) " if len(node.path) > _DEEPEST else ""
    gutter = expected_came(node, analyzed=plan.analyzed)
    time = milliseconds(node.own_ms) if node.own_ms is not None and node.own_ms >= _LEAST_MS else ""
    return Row(node.id, min(len(node.path), _DEEPEST), level + node_label(node), gutter, time, marks)


def outline(plan: Plan, *, limit: int = _AT_MOST, whole_up_to: int = _WHOLE_UP_TO) -> tuple[Row, ...]:
    """The outline's rows in plan order; at most about twice `limit`, every node of a plan of `whole_up_to` nodes."""
    marks = _marks(plan)
    kept = _kept(plan, marks, limit, whole_up_to)
    rows: list[Row] = []
    hidden: list[Node] = []
    for node in plan.nodes:
        if node.id not in kept:
            hidden.append(node)
            continue
        if hidden:
            rows.append(_folded(hidden))
            hidden = []
        rows.append(node_row(plan, node, tuple(marks.get(node.id, ()))))
    if hidden:
        rows.append(_folded(hidden))
    return tuple(rows)
