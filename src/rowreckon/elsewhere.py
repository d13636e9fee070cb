"""Where the time goes that no judged join accounts for, so that 'no crossed join' never reads as all clear.

A judged join accounts for its own time and for the work that its method brings with it: the inner side's access, the
hash build, the sorts and stores on its inputs. Everything else that took a share worth naming is listed here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import fsum
from typing import Any

from rowreckon.causes.limited import is_limited
from rowreckon.counts.interval import actual_interval
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import Join, TimeElsewhere, TimeKind
from rowreckon.plan.base import PlanNode
from rowreckon.plan.document import ExplainDocument
from rowreckon.plan.nodes import (
    AggregateNode,
    CteScanNode,
    FunctionScanNode,
    GatherNode,
    HashNode,
    IncrementalSortNode,
    IndexScanNode,
    JoinNode,
    MaterializeNode,
    MemoizeNode,
    ModifyTableNode,
    RecursiveUnionNode,
    SortNode,
    WindowAggNode,
)
from rowreckon.plural import counted

_WORTH_NAMING = 0.05  # a share of the execution time below this is left out of the list
_DISCARDED_FACTOR = 10  # rows read for each row kept, from which on reading is mostly waste
_DISCARDED_ROWS = 1000
_MAY_SPILL_OR_WAIT = (
    SortNode,
    HashNode,
    AggregateNode,
    GatherNode,
    MaterializeNode,
    CteScanNode,
    WindowAggNode,
    RecursiveUnionNode,
    FunctionScanNode,
)

_HOPED = (
    ", in the index's order: the LIMIT hoped to find them early. "
    "An index on the filter's columns and then on the order's helps"
)


def nodes_of_join(reckoned: ReckonedTree, join: int) -> tuple[int, ...]:
    """The nodes whose own time is the price of a join's method: itself, its inner access, its sorts and stores."""
    tree = reckoned.tree
    found = [join]
    for side in tree.inputs(join):
        is_inner = tree.nodes[side].parent_relationship == "Inner"
        here: int | None = side
        while here is not None and not isinstance(tree.nodes[here], JoinNode):
            helper = isinstance(
                tree.nodes[here], (HashNode, SortNode, IncrementalSortNode, MaterializeNode, MemoizeNode)
            )
            if not (helper or is_inner):
                break
            found.append(here)
            inputs = tree.inputs(here)
            here = inputs[0] if len(inputs) == 1 else None
    return tuple(found)


def judged_ms(reckoned: ReckonedTree, own_ms: Sequence[float | None], joins: Iterable[Join]) -> float | None:
    """Wall-clock ms that the judged joins account for (verdict other than accurate); None without timing."""
    nodes = {n for join in joins if join.verdict != "accurate" for n in nodes_of_join(reckoned, join.node)}
    if all(ms is None for ms in own_ms):
        return None
    return fsum(own_ms[n] or 0.0 for n in nodes)


def time_elsewhere(
    explain: ExplainDocument, reckoned: ReckonedTree, own_ms: Sequence[float | None], joins: Iterable[Join]
) -> tuple[TimeElsewhere, ...]:
    """The list, dearest first; entries without a time come last, since the plan proves only the fact."""
    accounted = {n for join in joins if join.verdict != "accurate" for n in nodes_of_join(reckoned, join.node)}
    floor = _WORTH_NAMING * _execution_ms(explain, reckoned)
    found = [
        *_whole_statement(explain, floor),
        *_subplans(reckoned, floor),
        *_of_nodes(reckoned, own_ms, accounted, floor),
    ]
    return tuple(sorted(found, key=lambda e: (e.ms is None, -(e.ms or 0.0), e.node if e.node is not None else -1)))


def _execution_ms(explain: ExplainDocument, reckoned: ReckonedTree) -> float:
    if explain.execution_time is not None:
        return float(explain.execution_time)
    root = reckoned.tree.nodes[0]
    return float(root.actual_total_time or 0.0) * root.loops


def _whole_statement(explain: ExplainDocument, floor: float) -> Iterable[TimeElsewhere]:
    planning = explain.planning_time
    if planning is not None and planning > max(floor, 1.0):
        yield TimeElsewhere(kind="planning", ms=float(planning), fact="choosing the plan, before it ran")
    jit = jit_ms(explain.jit)
    if jit is not None and jit > floor:
        yield TimeElsewhere(kind="jit", ms=jit, fact="before expressions could be evaluated")
    for trigger in explain.triggers or ():
        if trigger.time is not None and trigger.time > floor:
            name = trigger.trigger_name or trigger.constraint_name or "a trigger"
            times = f"{int(trigger.calls or 0):,} calls"
            yield TimeElsewhere(kind="trigger", ms=float(trigger.time), fact=f"trigger {name}: {times}")
    root = explain.plan
    reading = sum(
        ms or 0.0
        for ms in (
            root.io_read_time,
            root.shared_io_read_time,
            root.local_io_read_time,
            root.temp_io_read_time,
        )
    )
    if reading > floor and reading > 0:
        fact = "waiting for blocks to be read, part of the nodes' own times"
        yield TimeElsewhere(kind="io", ms=float(reading), fact=fact)


def jit_ms(jit: dict[str, Any] | None) -> float | None:
    """What compiling expressions took, in ms; None where the plan does not tell."""
    timing = (jit or {}).get("Timing")
    total = timing.get("Total") if isinstance(timing, dict) else None
    return float(total) if isinstance(total, (int, float)) else None


def _subplans(reckoned: ReckonedTree, floor: float) -> Iterable[TimeElsewhere]:
    for number, node in enumerate(reckoned.tree.nodes):
        if node.parent_relationship not in ("SubPlan", "InitPlan") or node.loops == 0:
            continue
        ms = None
        if node.actual_total_time is not None:
            ms = node.actual_total_time * node.loops / reckoned.counts[number].participants
        if ms is not None and ms > floor:
            times = "once" if node.loops == 1 else f"{int(node.loops):,} times"
            name = (node.subplan_name or "a subquery").split(" (", 1)[0]
            yield TimeElsewhere(node=number, kind="subplan", ms=ms, fact=f"{name} ran {times}")


def _of_nodes(
    reckoned: ReckonedTree, own_ms: Sequence[float | None], accounted: set[int], floor: float
) -> Iterable[TimeElsewhere]:
    least = max(floor, 0.0)
    for number, (node, ms) in enumerate(zip(reckoned.tree.nodes, own_ms, strict=True)):
        if not node.actual_loops:
            continue
        dear = ms is None or ms > least
        # A spill or workers that never came matter even inside a judged join, and without a time of their own.
        if dear or (isinstance(node, _MAY_SPILL_OR_WAIT) and _spilled_or_waited(node)):
            found = _of_node(reckoned, number, ms, number in accounted, dear=dear and ms is not None)
            if found is not None:
                yield found


def _spilled_or_waited(node: PlanNode) -> bool:
    return _spilled_kb(node) is not None or (isinstance(node, GatherNode) and _workers_missing(node))


def _workers_missing(node: GatherNode) -> bool:
    return (node.workers_launched or 0) < (node.workers_planned or 0)


def _of_node(
    reckoned: ReckonedTree, number: int, ms: float | None, accounted: bool, *, dear: bool
) -> TimeElsewhere | None:
    kind, fact, proven = _fact(reckoned, number, reckoned.tree.nodes[number])
    always = proven and kind in ("spill", "workers_missing")
    if always or (not accounted and (dear or (proven and ms is None))):
        return TimeElsewhere(node=number, kind=kind, ms=ms, fact=fact)
    return None


def _fact(reckoned: ReckonedTree, number: int, node: PlanNode) -> tuple[TimeKind, str, bool]:
    """What stands out at a node: its kind, the fact in words, and whether the plan proves more than a share of time."""
    name = node.node_type
    where = f" on {reckoned.tables[number][0]}" if len(reckoned.tables[number]) == 1 else ""
    spilled = _spilled_kb(node)
    if spilled is not None:
        return "spill", f"{name}{where} went to disk: {spilled}", True
    if isinstance(node, GatherNode) and _workers_missing(node):
        fact = f"{int(node.workers_launched or 0)} of {int(node.workers_planned or 0)} planned workers were launched"
        return "workers_missing", fact, True
    kept = _told(reckoned, number)
    if _is_wasteful(node):
        hoped = _HOPED if _in_index_order(reckoned, number, node) else ""
        return "rows_discarded", f"{name}{where} {_read_to_keep(reckoned, number, node)}{hoped}", True
    if isinstance(node, IndexScanNode) and node.heap_fetches and node.heap_fetches > 0.1 * max(kept, 1.0):
        visits = counted(node.heap_fetches, "time")
        fact = f"{name}{where} had to visit the table {visits}, as VACUUM has not marked it all-visible"
        return "heap_fetches", fact, node.heap_fetches >= _DISCARDED_ROWS
    if isinstance(node, (SortNode, IncrementalSortNode)):
        return "sort", f"{name} of {counted(kept, 'row')}", False
    if isinstance(node, AggregateNode):
        return "aggregate", f"{name} to {counted(kept, 'row')}", False
    if isinstance(node, ModifyTableNode):
        return "write", f"{node.operation or name}{where}", False
    if not reckoned.tree.inputs(number):
        return "scan", f"{name}{where}: {counted(kept, 'row')}{_in_each(reckoned, number, node)}", False
    if isinstance(node, JoinNode):
        return "other", f"{name} with right estimates: {counted(kept, 'row')}", False
    return "other", f"{name}{where}: {counted(kept, 'row')}", False


def _told(reckoned: ReckonedTree, number: int) -> float:
    """The rows that came: of one process where each had all of them, else the total as exact as the plan gives it."""
    count = reckoned.counts[number]
    processes = reckoned.each_whole(number)
    if processes:
        return (count.actual or 0.0) / processes
    return count.actual_interval.told() if count.actual_interval is not None else count.actual or 0.0


def _in_each(reckoned: ReckonedTree, number: int, node: PlanNode) -> str:
    processes = reckoned.each_whole(number)
    if processes:
        return f" in each of {processes} processes"
    return f" in {counted(node.loops, 'loop')}" if node.loops > 1 and not reckoned.is_shared(number) else ""


def _is_wasteful(node: PlanNode) -> bool:
    removed = (node.rows_removed_by_filter or 0) * node.loops
    kept = (node.actual_rows or 0) * node.loops
    return removed >= _DISCARDED_ROWS and removed >= _DISCARDED_FACTOR * max(kept, 1.0)


def _in_index_order(reckoned: ReckonedTree, number: int, node: PlanNode) -> bool:
    """Whether a LIMIT takes the rows of an index scan as they come, nothing of the index chosen."""
    return isinstance(node, IndexScanNode) and node.index_cond is None and is_limited(reckoned.tree, number)


def _read_to_keep(reckoned: ReckonedTree, number: int, node: PlanNode) -> str:
    """`read 40,000 rows to keep 67 in each of 67 loops`: as the plan prints them, but for what processes share."""
    removed, kept = node.rows_removed_by_filter or 0, node.actual_rows or 0
    if node.loops > 1 and reckoned.is_shared(number):
        of_all = actual_interval(float(removed), float(node.loops), decimals=False)
        return f"read {counted(of_all.told() + _told(reckoned, number), 'row')} to keep {_told(reckoned, number):,.0f}"
    what = "processes" if reckoned.each_whole(number) else "loops"
    each = f" in each of {node.loops:,.0f} {what}" if node.loops > 1 else ""
    few = "under 1" if 0 < kept < 0.5 else f"{kept:,.0f}"
    return f"read {counted(removed + kept, 'row')} to keep {few}{each}"


def _spilled_kb(node: PlanNode) -> str | None:
    if isinstance(node, SortNode) and node.sort_space_type == "Disk":
        return f"{int(node.sort_space_used or 0):,} kB"
    if isinstance(node, HashNode) and (node.hash_batches or 1) > 1:
        planned = int(node.original_hash_batches or node.hash_batches or 1)
        grown = f", planned {planned}" if planned != node.hash_batches else ""
        return f"{int(node.hash_batches or 1)} batches{grown}"
    if isinstance(node, AggregateNode) and node.disk_usage:
        return f"{int(node.disk_usage):,} kB"
    if getattr(node, "storage", None) == "Disk":
        return f"{int(getattr(node, 'maximum_storage', 0) or 0):,} kB"
    return None
