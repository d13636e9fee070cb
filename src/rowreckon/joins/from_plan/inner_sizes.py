"""Which sizes of an inner scan's relation and index the cost of one execution leaves possible.

In come one execution's cost and the rows that the index may find; `relation_sizes` solves them for pages and rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.sides import JoinFacts, Side
from rowreckon.joins.from_plan.agreeing_sizes import agreeing_sizes
from rowreckon.joins.from_plan.candidate_counts import widening
from rowreckon.joins.from_plan.execution_cost import ROUNDING
from rowreckon.joins.from_plan.found_rows import came_per_scan
from rowreckon.joins.from_plan.relation_sizes import Charged, SizeGuess, bitmap_sizes, possible_sizes, tree_levels
from rowreckon.joins.from_plan.row_shape import RowShape, row_shape
from rowreckon.joins.from_plan.swept_index import swept_sizes
from rowreckon.joins.from_plan.whole_table_scans import SeenRelation
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import BitmapHeapScanNode, BitmapIndexScanNode, IndexScanNode, ScanNode

_ENOUGH_ROWS = 20.0
_SEVERAL = 1.5
_WIDEST_KEY = 64


class Asked(NamedTuple):
    """What an inner scan was asked: quals of its index and of its filter, executions (one of `whole` where the plan
    prints a share of them), and the share of all-visible pages."""

    quals: int
    filters: int
    loops: float
    visible: float
    whole: tuple[float, ...]


def sizes_by_cost(
    case: JoinAtHand,
    scan: ScanNode,
    shape: RowShape,
    cost: tuple[float, float] | None,
    candidates: Sequence[float],
    asked: Asked,
    seen: SeenRelation | None = None,
) -> list[SizeGuess]:
    """The sizes that the cost of an execution leaves, empty where none; `seen` is the relation's own where it is known,
    with which the sizes of its index are left."""
    settings = case.settings
    constants = range_quals_of(case.reckoned, case.facts)
    if constants is None or (constants and isinstance(scan, BitmapHeapScanNode)):
        return []
    printed, startup = float(scan.total_cost or 0.0), float(scan.startup_cost or 0.0)
    middle, play = (printed, ROUNDING) if cost is None else cost
    per_heap_row = settings.cpu_tuple_cost + settings.cpu_operator_cost * asked.filters
    if isinstance(scan, BitmapHeapScanNode):
        if seen is not None:
            return []
        found = candidates[0]
        heap = middle - startup - found * (per_heap_row + settings.cpu_operator_cost * asked.quals)
        play += ROUNDING
        return bitmap_sizes(settings, shape, (heap - play, heap + play), found, asked.loops)
    readings = readings_of(case, scan, cost, candidates, asked)
    if seen is not None:
        return agreeing_sizes(settings, readings, seen, shape) if not constants else []
    found_by_key = possible_sizes(settings, readings, shape) if not constants else []
    if found_by_key:
        return found_by_key
    per_entry = settings.cpu_index_tuple_cost + settings.cpu_operator_cost * asked.quals
    swept = swept_sizes(settings, readings, shape, per_entry, ranged=bool(constants))
    # of a unique key one row is found, by whatever
    if swept or constants or not scan.filter or case.facts.inner_unique:
        return swept
    # statistics that expect far more or fewer rows of a key than came
    per_row = per_entry + per_heap_row
    most = max((middle - startup) / per_row, 1.0)
    return possible_sizes(settings, [replace(readings[0], cpu=n * per_row, found=n) for n in widening(most)], shape)


def readings_of(
    case: JoinAtHand, scan: ScanNode, cost: tuple[float, float] | None, candidates: Sequence[float], asked: Asked
) -> list[Charged]:
    """The ways to read what an execution of an index scan was charged: by the rows that it may find each."""
    settings = case.settings
    printed, startup = float(scan.total_cost or 0.0), float(scan.startup_cost or 0.0)
    middle, play = (printed, ROUNDING) if cost is None else cost
    per_row = settings.cpu_index_tuple_cost + settings.cpu_operator_cost * asked.quals
    per_row += settings.cpu_tuple_cost + settings.cpu_operator_cost * asked.filters
    return [
        Charged(
            least=max(middle - play, printed - ROUNDING),
            most=min(middle + play, printed + ROUNDING),
            startup=startup,
            cpu=found * per_row,
            found=found,
            loops=loops,
            unseen=1.0 - asked.visible,
            orders=_orders(case, scan, found),
        )
        for found in candidates
        for loops in asked.whole or (asked.loops,)
    ]


def _orders(case: JoinAtHand, scan: ScanNode, found: float) -> tuple[float, ...]:
    """Whether the table keeps the index's order, by the blocks that came: rows of one key on one page, or scattered.

    A scan asks for a block of each level of the index, and for a table page only where it differs from the last row's.
    """
    if found <= 1.0 or scan.node_type == "Index Only Scan":
        return (0.0,)
    fewest, most = came_per_scan(case.facts, scan)
    if scan.shared_hit_blocks is None or scan.shared_read_blocks is None or fewest * scan.loops < _ENOUGH_ROWS:
        return (0.0, 1.0)
    levels = tree_levels(case.settings, float(scan.startup_cost or 0.0)) + 1.0
    blocks = (float(scan.shared_hit_blocks) + float(scan.shared_read_blocks)) / scan.loops - levels
    half = (1.0 + 1.0 / found) / 2.0
    if fewest < _SEVERAL or fewest * half <= blocks < most * half:
        return (0.0, 1.0)
    # rows of one key may lie together while the keys come in any order
    return (1.0, 0.0) if blocks < fewest * half else (0.0,)


def index_condition(reckoned: ReckonedTree, facts: JoinFacts) -> str | None:
    """The condition of the one index that finds the inner rows."""
    tree = reckoned.tree
    scan = tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    if isinstance(scan, BitmapHeapScanNode) and facts.inner.scan is not None and tree.inputs(facts.inner.scan):
        scan = tree.nodes[tree.inputs(facts.inner.scan)[0]]
    return scan.index_cond if isinstance(scan, (IndexScanNode, BitmapIndexScanNode)) else None


def range_quals_of(reckoned: ReckonedTree, facts: JoinFacts) -> int | None:
    """The conditions of the index that compare with no outer column; None where another than an equality does."""
    text = index_condition(reckoned, facts)
    if text is None:
        return None
    joined = {c.text: c.is_equality for c in facts.clauses if c.place == "index"}
    told = [joined.get(clause.text) for clause in parse_condition(text).clauses]
    return None if False in told or True not in told else told.count(None)


def shape_of_scan(reckoned: ReckonedTree, facts: JoinFacts, scan: ScanNode, per_key: float) -> RowShape:
    whole = not facts.inner.memoized and scan.node_type in ("Index Scan", "Bitmap Heap Scan", "Index Only Scan")
    return shape_of(reckoned, facts, facts.inner, per_key, whole=whole)


def shape_of(reckoned: ReckonedTree, facts: JoinFacts, side: Side, per_key: float, *, whole: bool) -> RowShape:
    """Rows per page of a side's relation and entries per page of an index on the join columns."""
    tree = reckoned.tree
    scan = tree.nodes[side.scan] if side.scan is not None else tree.nodes[side.node]
    needed: list[str] = []
    if whole:
        columns = (c.inner_column if side is facts.inner else c.outer_column for c in facts.clauses)
        needed = [*(tree.nodes[facts.node].output or ()), *(_qualified(c) for c in columns)]
    key_width = min(facts.inner.width or _WIDEST_KEY, facts.outer.width or _WIDEST_KEY)
    unique = facts.inner_unique and side is facts.inner
    several = not unique and sum(1 for c in facts.clauses if c.is_equality) > 1
    only = scan.node_type == "Index Only Scan"
    return row_shape(
        scan.output, needed, side.width, key_width, per_key, whole=whole, correlated=several, index_only=only
    )


def _qualified(column: object) -> str:
    table, name = getattr(column, "table", None), getattr(column, "column", None)
    return f"{table}.{name}"
