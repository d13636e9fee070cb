"""Where a plan's time goes, split so that the parts add up to execution and planning.

A node's own time goes to one part: what a join's method brings with it (its sorts, hashes and stores, and an inner side
that is run again for each outer row) to the joins, all else by the kind of node. Time in which blocks were read leaves
its node for `waiting`. Compiling (JIT) is timed for the whole statement only: it is taken from what lies outside the
nodes, then from all parts alike.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import fsum
from typing import Final, Literal, get_args

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import Join, Plan, TimeBy
from rowreckon.elsewhere import jit_ms, nodes_of_join
from rowreckon.plan.base import PlanNode
from rowreckon.plan.document import ExplainDocument
from rowreckon.plan.nodes import JoinNode

Spent = Literal[
    "crossed_joins",
    "other_joins",
    "scans",
    "sorts",
    "aggregates",
    "functions",
    "jit",
    "planning",
    "waiting",
    "other",
]
PARTS: Final[tuple[Spent, ...]] = get_args(Spent)

_BY_TYPE: Final[dict[str, Spent]] = {
    "Sort": "sorts",
    "Incremental Sort": "sorts",
    "Aggregate": "aggregates",
    "Group": "aggregates",
    "WindowAgg": "aggregates",
    "Unique": "aggregates",
    "SetOp": "aggregates",
    "Function Scan": "functions",
    "Table Function Scan": "functions",
    "ProjectSet": "functions",
    "Append": "scans",
    "Merge Append": "scans",
    "BitmapAnd": "scans",
    "BitmapOr": "scans",
    "LockRows": "waiting",
}
_SERVES_JOINS: Final = frozenset(("Hash", "Materialize", "Memoize"))
_READS: Final = ("io_read_time", "shared_io_read_time", "local_io_read_time", "temp_io_read_time")


def time_by(
    explain: ExplainDocument, reckoned: ReckonedTree, own_ms: Sequence[float | None], joins: Iterable[Join]
) -> TimeBy | None:
    """The split of one executed plan, in ms; None where its nodes were not timed."""
    if all(ms is None for ms in own_ms):
        return None
    parts: dict[Spent, float] = dict.fromkeys(PARTS, 0.0)
    charged = _charged_to_joins(reckoned, joins)
    reads = _own_reads(reckoned)
    for number, (node, own) in enumerate(zip(reckoned.tree.nodes, own_ms, strict=True)):
        if own:
            waited = min(reads.get(number, 0.0), own)
            parts["waiting"] += waited
            parts[charged.get(number) or _part_of(node)] += own - waited
    inside = fsum(parts.values())
    whole = explain.execution_time if explain.execution_time is not None else inside
    _take(parts, inside - whole)  # times are printed per loop and rounded: many loops may add up to too much
    outside = max(whole - inside, 0.0)
    compiling = jit_ms(explain.jit) or 0.0
    apart = min(compiling, outside)
    _take(parts, compiling - apart)
    parts["other"] += outside - apart
    parts["jit"] = compiling
    parts["planning"] = explain.planning_time or 0.0
    return TimeBy.trusted({part: float(parts[part]) for part in PARTS})


def whole_time_by(plans: Iterable[Plan]) -> TimeBy | None:
    """The splits of all plans added up; what was not timed node by node counts as `other`; None where no time is
    known."""
    parts: dict[str, list[float]] = {part: [] for part in PARTS}
    for plan in plans:
        if plan.time_by is not None:
            for part in PARTS:
                parts[part].append(getattr(plan.time_by, part))
        else:
            parts["other"].append(plan.execution_ms or 0.0)
            parts["planning"].append(plan.planning_ms or 0.0)
    summed = {part: fsum(times) for part, times in parts.items()}
    return TimeBy.trusted(summed) if any(summed.values()) else None


def _part_of(node: PlanNode) -> Spent:
    if isinstance(node, JoinNode) or node.node_type in _SERVES_JOINS:
        return "other_joins"
    known = _BY_TYPE.get(node.node_type)
    if known is not None:
        return known
    return "scans" if node.node_type.endswith("Scan") else "other"


def _charged_to_joins(reckoned: ReckonedTree, joins: Iterable[Join]) -> dict[int, Spent]:
    """The nodes whose own time is the price of a join's method; a crossed join has the first claim."""
    charged: dict[int, Spent] = {}
    nodes = reckoned.tree.nodes
    for join in joins:
        if join.verdict == "crossed":
            charged.update(dict.fromkeys(nodes_of_join(reckoned, join.node), "crossed_joins"))
            continue
        for number in nodes_of_join(reckoned, join.node):
            again = nodes[number].loops > nodes[join.node].loops
            if again or not nodes[number].node_type.endswith("Scan"):
                charged.setdefault(number, "other_joins")
    return charged


def _own_reads(reckoned: ReckonedTree) -> dict[int, float]:
    """Per node the wall-clock ms that it waited for blocks itself; empty without track_io_timing."""
    tree = reckoned.tree
    if _reads_of(tree.nodes[0]) is None:
        return {}
    whole = [_reads_of(node) or 0.0 for node in tree.nodes]
    own = list(whole)
    for number in range(1, len(tree)):
        own[tree.parent[number]] -= whole[number]
    return {number: max(ms, 0.0) / reckoned.counts[number].participants for number, ms in enumerate(own) if ms > 0.0}


def _reads_of(node: PlanNode) -> float | None:
    known = [float(ms) for key in _READS if (ms := getattr(node, key, None)) is not None]
    return fsum(known) if known else None


def _take(parts: dict[Spent, float], ms: float) -> None:
    whole = fsum(parts.values())
    if ms > 0.0 and whole > 0.0:
        kept = max(1.0 - ms / whole, 0.0)
        for part in parts:
            parts[part] *= kept
