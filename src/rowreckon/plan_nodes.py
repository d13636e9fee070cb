"""The nodes of an audited plan as the document tells them: totals, errors, time, what each did."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.counts import NodeCount, Origins
from rowreckon.counts.origin import Entering
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document import audit as doc
from rowreckon.plan.base import PlanNode
from rowreckon.plan.details import conditions, figures, own_blocks
from rowreckon.plan.names import full_name


def told_nodes(
    reckoned: ReckonedTree, origins: Origins, own_ms: Sequence[float | None], *, details: bool
) -> tuple[doc.Node, ...]:
    """All nodes of a plan in pre-order; without `details` their conditions, blocks and figures are left out."""
    tree = reckoned.tree
    return tuple(
        _node(number, path, node, count, here, ms, tables, reckoned, details)
        for number, (path, node, count, here, ms, tables) in enumerate(
            zip(tree.paths(), tree.nodes, reckoned.counts, origins.here, own_ms, reckoned.tables, strict=True)
        )
    )


def _node(
    number: int,
    path: tuple[int, ...],
    node: PlanNode,
    count: NodeCount,
    entering: Entering | None,
    own_ms: float | None,
    tables: tuple[str, ...],
    reckoned: ReckonedTree,
    details: bool,
) -> doc.Node:
    here = entering if entering is not None and entering.reported else None
    estimate, actual = count.estimate_interval, count.actual_interval
    keys, tree = node.__dict__, reckoned.tree  # a family lacks the keys that its nodes never carry
    return doc.Node.trusted(
        {
            "id": number,
            "path": path,
            "node_type": node.node_type,
            "join_type": keys.get("join_type"),
            "relation": keys.get("relation_name"),
            "schema_": keys.get("schema_name"),
            "alias": keys.get("alias"),
            "index": keys.get("index_name"),
            "subplan_name": node.subplan_name,
            "parent_relationship": node.parent_relationship,
            "estimated_rows": _number(count.estimate),
            "estimated_rows_low": None if estimate is None else float(estimate.low),
            "estimated_rows_high": None if estimate is None else float(estimate.high),
            "estimated_rows_per_loop": _number(node.plan_rows),
            "planned_rows": _number(count.planned_rows),
            "planned_loops": _number(count.planned_loops),
            "actual_rows": _number(count.actual),
            "actual_rows_low": None if actual is None else float(actual.low),
            "actual_rows_high": None if actual is None else float(actual.high),
            "loops": _number(count.loops),
            "workers": count.workers,
            "in_each_of": None if count.participants < 2 else reckoned.each_whole(number),
            "count": count.state,
            "q_error": _number(count.q_error),
            "q_error_low": _number(count.q_error_low),
            "direction": count.direction,
            "q_error_here": None if here is None else float(here.factor),
            "direction_here": None if here is None else here.direction,
            "own_ms": _number(own_ms),
            "tables": tables,
            "name": full_name(node),
            "conditions": conditions(node) if details else (),
            "blocks": own_blocks(node, [tree.nodes[child] for child in tree.children[number]]) if details else None,
            "figures": figures(node) if details else {},
        }
    )


def _number(value: float | None) -> float | None:
    return value if value is None or value.__class__ is float else float(value)
