"""The ways to produce one side of a join by itself: as the plan did it, and as the catalog says it could be done."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rowreckon.cost import (
    CostSettings,
    IndexCondition,
    QualCost,
    append_row_cost,
    cost_index,
    path_input,
)
from rowreckon.cost.capabilities import charges_every_subquery_scan
from rowreckon.cost.units import DISABLE_COST
from rowreckon.joins.above.add_path import replaces
from rowreckon.joins.facts.inputs import SidePath
from rowreckon.joins.facts.known_relation import KnownIndex, KnownRelation
from rowreckon.joins.facts.sides import JoinFacts, Side
from rowreckon.plan.base import PlanNode
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.node_texts import ordering_key
from rowreckon.plan.nodes import (
    AggregateNode,
    AppendNode,
    GatherNode,
    HashNode,
    IndexScanNode,
    JoinNode,
    LimitNode,
    MaterializeNode,
    SortNode,
)
from rowreckon.plan.tree import PlanTree

IndexOrder = Callable[[IndexScanNode], tuple[str, ...]]
"""The key columns of the index that a node scans, as `alias.column`."""


def _no_order(node: IndexScanNode) -> tuple[str, ...]:
    return ()


ACCESS = {
    "Seq Scan": "seq_scan",
    "Index Scan": "index_scan",
    "Index Only Scan": "index_only_scan",
    "Bitmap Heap Scan": "bitmap_scan",
}


def printed_paths(
    settings: CostSettings,
    tree: PlanTree,
    facts: JoinFacts,
    side: Side,
    keys: list[str],
    index_order: IndexOrder = _no_order,
) -> Iterator[SidePath]:
    """The side as the plan produced it; nothing where it needs the other side's rows."""
    node = tree.nodes[side.node]
    if side.parameterised or node.total_cost is None or node.startup_cost is None:
        return
    total, startup = float(node.total_cost) + _scanned(settings, tree, facts, side), float(node.startup_cost)
    if startup >= DISABLE_COST:
        return
    path = path_input(
        settings,
        node.node_type,
        startup,
        total,
        side.planner_rows,
        side.width,
        num_batches=_batches(tree, side.node),
    )
    presorted = facts.method == "merge" and not side.sorted_here
    order = tuple(keys) if presorted else order_of(tree, side.node, index_order)
    per_row = _handing_over(settings, tree, side.node, total, side.planner_rows)
    yield SidePath(path, order, ACCESS.get(node.node_type, ""), per_row=per_row)


def _scanned(settings: CostSettings, tree: PlanTree, facts: JoinFacts, side: Side) -> float:
    """What the scan of a subquery costs that the plan leaves out, since it hands the rows on as they are.

    From 16 on it is charged only where it hands up less than all columns. Source: cost_subqueryscan in
    optimizer/path/costsize.c, set_subqueryscan_references in optimizer/plan/setrefs.c.
    """
    node = tree.nodes[side.node]
    unique = facts.made_unique == ("inner" if side is facts.inner else "outer")
    if not isinstance(node, (LimitNode, AggregateNode)) or unique:
        return 0.0
    if not charges_every_subquery_scan(settings.server_major):
        compared = (text for c in facts.clauses for text in (c.outer_text, c.inner_text))
        named = {text.strip("()") for text in (*(tree.nodes[facts.node].output or ()), *compared)}
        if node.output is None or all(text.strip("()") in named for text in node.output):
            return 0.0
    return settings.cpu_tuple_cost * side.planner_rows


def _handing_over(settings: CostSettings, tree: PlanTree, number: int, total: float, rows: float) -> float:
    """What a Gather, an Append or one of them that merges costs with each row, the sort below a Gather Merge included.

    Source: cost_gather, cost_gather_merge, cost_append and cost_merge_append in optimizer/path/costsize.c.
    """
    node = tree.nodes[number]
    if isinstance(node, AppendNode):
        return append_row_cost(settings, len(tree.inputs(number)) if node.node_type == "Merge Append" else 0)
    if not isinstance(node, GatherNode):
        return 0.0
    if node.node_type == "Gather":
        return settings.parallel_tuple_cost
    below = tree.only_input(number)
    while below is not None and isinstance(tree.nodes[below], SortNode):
        below = tree.only_input(below)
    if below is None:
        return settings.parallel_tuple_cost
    spent = total - settings.parallel_setup_cost - float(tree.nodes[below].total_cost or 0.0)
    return max(spent / max(rows, 1.0), 0.0)


def catalog_paths(
    settings: CostSettings, relation: KnownRelation, rows: float, total_table_pages: float
) -> Iterator[SidePath]:
    """The scans of a relation under its own restrictions: those that the server priced, and whole indexes in order."""
    estimate = relation.estimate
    assert estimate is not None
    told: dict[tuple[str, str | None], bool] = {}
    for scan in estimate.paths:
        index = next((i for i in relation.indexes if i.name == scan.index), None)
        if _switched_off(settings, scan.node_type):
            continue
        if scan.node_type == "Index Only Scan" and not covers(relation, index):
            continue
        if (scan.node_type, scan.index) in told or scan.node_type not in ACCESS:
            continue
        told[(scan.node_type, scan.index)] = True
        path = path_input(settings, scan.node_type, scan.startup_cost, scan.total_cost, rows, relation.width)
        ordered = index is not None and scan.node_type in ("Index Scan", "Index Only Scan")
        order = index.order(relation.alias) if ordered and index is not None else ()
        yield SidePath(path, order, ACCESS[scan.node_type])
    calls = relation.restriction_calls
    for index in relation.indexes:
        if not index.ordered or not settings.enable_indexscan or ("Index Scan", index.name) in told:
            continue
        only = settings.enable_indexonlyscan and covers(relation, index)
        if only and ("Index Only Scan", index.name) in told:
            continue
        path = cost_index(
            settings,
            relation.size,
            index.shape,
            IndexCondition(index.share, index.share, 0),
            rows,
            relation.width,
            total_table_pages=total_table_pages,
            index_only=only,
            qual=QualCost(0.0, settings.cpu_operator_cost * max(calls - index.implied, 0.0)),
        )
        order = index.order(relation.alias)
        yield SidePath(path, order, "index_only_scan" if only else "index_scan")


def _switched_off(settings: CostSettings, node_type: str) -> bool:
    """Whether the session keeps the planner from a scan of this type, as long as there is another."""
    index = settings.enable_indexscan and (settings.enable_indexonlyscan or node_type != "Index Only Scan")
    allowed = {
        "Seq Scan": settings.enable_seqscan,
        "Index Scan": index,
        "Index Only Scan": index,
        "Bitmap Heap Scan": settings.enable_bitmapscan,
    }
    return not allowed.get(node_type, True)


def taken_first(paths: list[SidePath], useful: frozenset[str] = frozenset()) -> list[SidePath]:
    """The paths with the one first that the planner would take for its cost alone: the cheapest, or one within 1% that
    starts sooner; what the plan itself took is tried first, as ties go to the earlier.

    A path in an order that begins with one of the `useful` expressions is not thrown away for one without; of all
    kept the cheapest counts, without tolerance. Source: add_path and set_cheapest in optimizer/util/pathnode.c.
    """
    if not paths:
        return paths
    ordered = [p for p in paths if p.order and p.order[0] in useful]
    plain = [p for p in paths if not (p.order and p.order[0] in useful)]
    held = _survivor(plain or ordered)
    if plain and ordered:
        kept = _survivor(ordered)
        if replaces(kept.path, held.path) or kept.path.total_cost < held.path.total_cost:
            held = kept
    rest = sorted((p for p in paths if p is not held), key=lambda p: p.path.total_cost)
    return [held, *rest]


def _survivor(paths: list[SidePath]) -> SidePath:
    held = paths[0]
    for new in paths[1:]:
        if replaces(new.path, held.path):
            held = new
    return held


def covers(relation: KnownRelation, index: KnownIndex | None) -> bool:
    """Whether the index holds every column that the plan needs of the relation."""
    return index is not None and relation.columns is not None and relation.columns <= index.covered


def _batches(tree: PlanTree, number: int) -> int:
    """Batches of the hash table below a hash join: several are built again at each rescan."""
    for child in tree.children[number]:
        node = tree.nodes[child]
        if isinstance(node, HashNode):
            return int(node.original_hash_batches or node.hash_batches or 1)
    return 1


def order_of(tree: PlanTree, number: int, index_order: IndexOrder = _no_order) -> tuple[str, ...]:
    """The sort order in which a node delivers, as far as merge joins and nested loops hand it up."""
    node: PlanNode = tree.nodes[number]
    while isinstance(node, (JoinNode, MaterializeNode, LimitNode)):
        if isinstance(node, JoinNode):
            if node.node_type == "Hash Join":
                return ()
            if node.node_type == "Merge Join" and node.merge_cond is not None:
                return _merge_order(node.merge_cond)
        below = tree.outer(number)
        if below is None:
            return ()
        number, node = below, tree.nodes[below]
    if node.node_type == "Gather Merge" and len(tree.inputs(number)) == 1:
        number = tree.inputs(number)[0]
        node = tree.nodes[number]
        if isinstance(node, SortNode):
            return tuple(ordering_key(key) for key in node.sort_key or ())
    if isinstance(node, IndexScanNode):
        return index_order(node)
    return ()


def _merge_order(condition: str) -> tuple[str, ...]:
    """The columns that a merge join's rows come sorted by: those of its condition, either side where one computes."""
    columns = [c.left_column or c.right_column for c in parse_condition(condition).clauses]
    return tuple(f"{c.table}.{c.column}" for c in columns if c is not None)
