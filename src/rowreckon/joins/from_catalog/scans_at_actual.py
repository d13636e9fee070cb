"""What a table's scan would have cost had its rows been expected: more rows through an index cost more pages.

Source: cost_index and cost_bitmap_heap_scan in optimizer/path/costsize.c, releases 13 to 18. How many rows the index
found is counted: those that the scan gave and those that its other conditions took out again.
"""

from __future__ import annotations

from rowreckon.cost import (
    CostSettings,
    IndexCondition,
    PathCost,
    QualCost,
    amcostestimate,
    bitmap_index,
    cost_bitmap_heap_scan,
    cost_index,
)
from rowreckon.cost.units import clamp_row_est
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.inputs import SidePath
from rowreckon.joins.facts.known_relation import KnownIndex, KnownRelation
from rowreckon.joins.facts.sides import Side
from rowreckon.joins.ways.index_match import Match, own_match
from rowreckon.joins.ways.side_paths import ACCESS
from rowreckon.plan.nodes import BitmapHeapScanNode, BitmapIndexScanNode, IndexScanNode, ScanNode

_CONDITIONAL = frozenset({"index_scan", "index_only_scan", "bitmap_scan"})


def with_actual_scan(
    settings: CostSettings,
    reckoned: ReckonedTree,
    side: Side,
    relation: KnownRelation,
    paths: list[SidePath],
    total_table_pages: float,
) -> list[SidePath]:
    """A side's ways, of which the first is told what the cheapest scan costs at the rows that came, alike for a Gather.

    Unchanged where that does not depend on the rows, or was not counted: the scan of several processes, of several
    indexes, or by an index that the catalog does not price.
    """
    node = reckoned.tree.nodes[side.scan] if side.scan is not None else None
    if not paths or not isinstance(node, ScanNode) or side.scan != side.node or side.workers > 0:
        return paths
    came, first = _found_by_index(reckoned, side, node), paths[0]
    index = _index_of(reckoned, side.node, relation)
    match = own_match(settings, relation, index) if index is not None else None
    executed = ACCESS.get(node.node_type, "")
    if came is None or index is None or match is None or first.access != executed or executed not in _CONDITIONAL:
        return paths
    rows, found = came
    expected = _priced(settings, relation, index, match, executed, (relation.rows, 1.0), total_table_pages)
    factor = found / clamp_row_est(match.selectivity * relation.size.tuples)
    right = _priced(settings, relation, index, match, executed, (rows, factor), total_table_pages)
    cost = _moved(first.path, expected, right)
    whole = next((p.path for p in paths if p.access == "seq_scan" and not p.order), None)
    if whole is not None and whole.total_cost < cost.total_cost:
        cost = whole
    gathered = f"parallel {executed}"
    return [
        first._replace(actual=cost),
        *(p._replace(actual=_moved(p.path, expected, right)) if p.access == gathered else p for p in paths[1:]),
    ]


def _found_by_index(reckoned: ReckonedTree, side: Side, node: ScanNode) -> tuple[float, float] | None:
    """Rows that the scan gave, and rows that its index had found for it; None where they were not counted."""
    if side.actual_rows is None or side.state != "exact" or node.loops != 1:
        return None
    removed = (node.rows_removed_by_filter or 0.0) + (getattr(node, "rows_removed_by_index_recheck", None) or 0.0)
    return side.actual_rows, max(side.actual_rows + removed, 1.0)


def _index_of(reckoned: ReckonedTree, number: int, relation: KnownRelation) -> KnownIndex | None:
    """The one index that a scan reads."""
    node = reckoned.tree.nodes[number]
    if isinstance(node, BitmapHeapScanNode):
        below = reckoned.tree.only_input(number)
        node = reckoned.tree.nodes[below] if below is not None else node
    if not isinstance(node, (IndexScanNode, BitmapIndexScanNode)):
        return None
    return next((i for i in relation.indexes if i.name == node.index_name), None)


def _priced(
    settings: CostSettings,
    relation: KnownRelation,
    index: KnownIndex,
    match: Match,
    access: str,
    rows: tuple[float, float],
    total_table_pages: float,
) -> PathCost:
    """The scan with so many rows, and so many times those that the index is expected to find."""
    given, factor = rows
    condition = IndexCondition(
        selectivity=min(match.selectivity * factor, 1.0),
        boundary_selectivity=min(match.boundary * factor, 1.0),
        num_quals=match.quals,
        num_sa_scans=match.descents,
        unique_match=match.unique_match,
    )
    operator, calls = settings.cpu_operator_cost, relation.restriction_calls
    if access != "bitmap_scan":
        return cost_index(
            settings,
            relation.size,
            index.shape,
            condition,
            given,
            relation.width,
            total_table_pages=total_table_pages,
            index_only=access == "index_only_scan",
            qual=QualCost(0.0, operator * max(calls - match.quals - index.implied, 0.0)),
        )
    searched = amcostestimate(
        settings, index.shape, condition, relation_tuples=relation.size.tuples, total_table_pages=total_table_pages
    )
    return cost_bitmap_heap_scan(
        settings,
        relation.size,
        bitmap_index(settings, searched, index.shape, given),
        given,
        relation.width,
        total_table_pages=total_table_pages,
        qual=QualCost(0.0, operator * calls),
    )


def _moved(path: PathCost, expected: PathCost, right: PathCost) -> PathCost:
    """A path that the server priced, moved by what the model's price moves."""
    startup = max(right.startup_cost - expected.startup_cost, -path.startup_cost)
    total = max(right.total_cost - expected.total_cost, -path.total_cost)
    return path._replace(
        startup_cost=path.startup_cost + startup,
        total_cost=path.total_cost + total,
        rescan_startup_cost=path.rescan_startup_cost + startup,
        rescan_total_cost=path.rescan_total_cost + total,
    )
