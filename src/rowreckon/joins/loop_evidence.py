"""What a plan tells of a nested loop's inner side: the cost of one execution, and how it changes with their number.

The printed cost per execution is rounded to a cent, which thousands of executions multiply; the join's own total cost
gives it back more exactly. With more executions pages are shared (Mackert-Lohman): how many depends on the relation's
size, which `size_evidence` bounds.
"""

from __future__ import annotations

from collections.abc import Callable
from math import floor

from rowreckon.cost import (
    CostSettings,
    IndexCondition,
    IndexShape,
    PathCost,
    QualCost,
    RelationSize,
    cost_index,
    cost_seqscan,
)
from rowreckon.cost.units import clamp_row_est
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import BitmapHeapScanNode, IndexScanNode, ScanNode
from rowreckon.plan.tree import index_of

from .inputs import ParameterisedAccess
from .relation_evidence import RelationEvidence
from .sides import JoinFacts
from .size_evidence import SizeGuess, possible_sizes, seen_sizes

_ROUNDING = 0.005
_LEAST_PRECISE = 0.01


@frozen
class LoopEvidence:
    """One execution of the inner side: its cost, rows found before its own filter, and the sizes that are possible."""

    total: float
    startup: float
    exact: bool
    found: float
    kept: float
    quals: int
    own_quals: int
    loops: float
    index_only: bool
    sizes: tuple[SizeGuess, ...]


def loop_evidence(
    settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, relations: RelationEvidence
) -> LoopEvidence | None:
    """The evidence for an executed nested loop with a parameterised inner side; None where costs are missing."""
    tree = reckoned.tree
    top, join, outer = tree.nodes[facts.inner.child], tree.nodes[facts.node], tree.nodes[facts.outer.child]
    if top.total_cost is None or top.startup_cost is None or join.total_cost is None or outer.total_cost is None:
        return None
    rows, loops = max(facts.inner.planner_rows, 1.0), max(facts.outer.planner_rows, 1.0)
    printed = float(top.total_cost)
    early = facts.inner_unique or facts.kind in ("Semi", "Anti")
    per_pair = 0.0 if early else settings.cpu_tuple_cost * rows
    solved = (float(join.total_cost) - float(outer.total_cost)) / loops - per_pair
    believable = abs(solved - printed) <= _ROUNDING + 0.01 / loops + 1e-9
    total = solved if believable or facts.inner.memoized else printed
    scan = tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    quals = own = 0
    kept = 1.0
    if isinstance(scan, ScanNode):
        index_cond = getattr(scan, "index_cond", None)
        quals = len(parse_condition(index_cond).clauses) if isinstance(index_cond, str) else 0
        own = len(parse_condition(scan.filter).clauses) if scan.filter else 0
        came, gone = float(scan.actual_rows or 0.0), float(scan.rows_removed_by_filter or 0.0)
        kept = max(came / (came + gone), 0.01) if own and came + gone > 0 else 1.0
    sizes = _sizes(settings, reckoned, facts, relations, total if believable else None, rows / kept, quals, own)
    return LoopEvidence(
        total=max(total, 0.0),
        startup=float(top.startup_cost),
        exact=_ROUNDING / max(printed, _ROUNDING) <= _LEAST_PRECISE and not facts.inner.memoized,
        found=max(rows / kept, 1.0),
        kept=kept,
        quals=max(quals, 1),
        own_quals=own,
        loops=loops,
        index_only=scan is not None and scan.node_type == "Index Only Scan",
        sizes=tuple(sizes),
    )


def _sizes(
    settings: CostSettings,
    reckoned: ReckonedTree,
    facts: JoinFacts,
    relations: RelationEvidence,
    cost: float | None,
    found: float,
    quals: int,
    own: int,
) -> list[SizeGuess]:
    scan = reckoned.tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    if not isinstance(scan, ScanNode):
        return []
    index_scan = scan if isinstance(scan, IndexScanNode) else None
    seen = relations.of(scan)
    if seen is not None:
        return seen_sizes(seen)
    if index_scan is None:
        return []
    loops = max(facts.outer.planner_rows, 1.0)
    startup = float(index_scan.startup_cost or 0.0)
    descent = None if cost is None else _descent(settings, startup, cost, found, quals, own, loops)
    return possible_sizes(settings, index_scan, facts.inner.width, descent)


def _descent(
    settings: CostSettings, startup: float, cost: float, found: float, quals: int, own: int, loops: float
) -> tuple[float, float] | None:
    """Bounds of what one descent costs, where pages come in coarser steps than it can vary; None where they don't."""
    step, play = settings.random_page_cost / loops, 0.0101 / loops
    per_row = settings.cpu_index_tuple_cost + settings.cpu_tuple_cost + settings.cpu_operator_cost * (quals + own)
    rest = cost - clamp_row_est(found) * per_row
    least, most = startup - _ROUNDING - play, startup + _ROUNDING + play
    if step <= most - least:
        return None
    pages = floor((rest - least) / step)
    descent = rest - pages * step
    return (descent - play, descent + play) if descent <= most else None


def executed_access(
    settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, known: LoopEvidence, size: SizeGuess | None
) -> ParameterisedAccess:
    """The inner side that ran, in a world where its relation has that size (None: pages are never shared further)."""
    tree = reckoned.tree
    scan = tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    rows = max(facts.inner.planner_rows, 1.0)
    kind = tree.nodes[facts.inner.child].node_type
    modelled = _modelled(settings, facts, known, size, scan) if size is not None else None
    offset = known.total - modelled(known.loops) if modelled is not None else 0.0

    def at(loops: float) -> PathCost:
        total = known.total if modelled is None else max(modelled(loops) + offset, known.startup)
        begin = min(known.startup, total)
        return PathCost(begin, total, rows, facts.inner.width, begin, total, 0, kind)

    names = {"Index Scan": "index_scan", "Index Only Scan": "index_only_scan", "Bitmap Heap Scan": "bitmap_scan"}
    simple = isinstance(scan, (IndexScanNode, BitmapHeapScanNode))
    return ParameterisedAccess(
        at=at,
        access=names.get(scan.node_type, "per row") if scan is not None else "per row",
        index=_index(reckoned, facts),
        indexed=simple and not facts.inner.memoized and all(c.place == "index" for c in facts.clauses),
        exact=known.exact,
        memoized=facts.inner.memoized,
    )


def misfit(
    settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, known: LoopEvidence, size: SizeGuess
) -> float:
    """How many pages, over all executions, a size is off from what the plan was charged for."""
    scan = reckoned.tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    modelled = _modelled(settings, facts, known, size, scan)
    if modelled is None or facts.inner.memoized:
        return 0.0
    return abs(modelled(known.loops) - known.total) * known.loops / settings.random_page_cost


def whole_inner(settings: CostSettings, facts: JoinFacts, known: LoopEvidence, size: SizeGuess) -> PathCost:
    """The inner relation scanned by itself, where it has that size; by its index alone where that will do."""
    quals = QualCost(0.0, settings.cpu_operator_cost * known.own_quals)
    rows = clamp_row_est(size.tuples * known.kept)
    relation, width = RelationSize(size.pages, size.tuples, 1.0), facts.inner.width
    table = cost_seqscan(settings, relation, rows, width, qual=quals)
    if not known.index_only:
        return table
    shape = IndexShape(size.index_pages, size.tuples, size.height)
    whole = IndexCondition(1.0, 1.0, 0)
    index = cost_index(
        settings, relation, shape, whole, rows, width, total_table_pages=size.pages, index_only=True, qual=quals
    )
    return min(table, index, key=lambda p: p.total_cost)


def unique_access(
    settings: CostSettings, size: SizeGuess, found: float, own_quals: int, width: int, quals: int
) -> ParameterisedAccess:
    """A scan by the unique index that an Inner Unique join proves to be there, one row at most per execution."""
    shape = IndexShape(size.index_pages, size.tuples, size.height, unique=True)
    selectivity = min(1.0 / max(size.tuples, 1.0), 1.0)
    condition = IndexCondition(selectivity, selectivity, quals, unique_match=True)
    relation = RelationSize(size.pages, size.tuples)
    qual = QualCost(0.0, settings.cpu_operator_cost * own_quals)

    def at(loops: float) -> PathCost:
        return cost_index(
            settings,
            relation,
            shape,
            condition,
            found,
            width,
            total_table_pages=size.pages,
            loop_count=max(loops, 1.0),
            qual=qual,
        )

    return ParameterisedAccess(at, "index_scan", None, True, True, False)


def _modelled(
    settings: CostSettings, facts: JoinFacts, known: LoopEvidence, size: SizeGuess, scan: object
) -> Callable[[float], float] | None:
    if not isinstance(scan, IndexScanNode):
        return None
    only = scan.node_type == "Index Only Scan"
    relation = RelationSize(size.pages, size.tuples, 1.0 if only else 0.0)
    shape = IndexShape(size.index_pages, size.tuples, size.height, unique=facts.inner_unique)
    selectivity = min(known.found / max(size.tuples, 1.0), 1.0)
    condition = IndexCondition(selectivity, selectivity, known.quals)
    qual = QualCost(0.0, settings.cpu_operator_cost * known.own_quals)

    def cost(loops: float) -> float:
        return cost_index(
            settings,
            relation,
            shape,
            condition,
            1.0,
            total_table_pages=size.pages,
            loop_count=max(loops, 1.0),
            index_only=only,
            qual=qual,
        ).total_cost

    return cost


def _index(reckoned: ReckonedTree, facts: JoinFacts) -> str | None:
    span = reckoned.tree.subtree(facts.inner.child)
    found = [name for n in span if (name := index_of(reckoned.tree.nodes[n])) is not None]
    return found[0] if len(found) == 1 else None
