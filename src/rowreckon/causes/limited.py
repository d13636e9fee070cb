"""The LIMIT above a scan that takes hardly any of its rows, and the order in which it takes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.frozen import frozen
from rowreckon.plan.nodes import IndexScanNode, ScanNode, SortNode

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Index, Relation
    from rowreckon.plan.base import PlanNode
    from rowreckon.plan.tree import PlanTree

MANY_READ = 1000
"""Rows read in all from which on it is worth asking (common practice, no source)."""
NEARLY_ALL = 10.0
"""Rows read for each row kept from which on nearly all of the reading is for nothing, and by how many times the scan
has to become cheaper: each index costs every write (common practice, no source)."""

KEEP_THE_ORDER = frozenset(
    {"Nested Loop", "Result", "Subquery Scan", "LockRows", "Gather Merge", "Merge Append", "Append", "Unique"}
)
"""Nodes that hand the rows of their outer input on as they come."""
_PASSES_ON = frozenset({"Result", "Subquery Scan", "LockRows", "Gather Merge"})
"""Those among them that take each row of a sort and give it on, so that a LIMIT above is one of the sort."""


@frozen
class Limited:
    """A LIMIT's scan. `sorts`: it is read whole and sorted, then `rows` are taken each time; else its index gives the
    order. `order` are the scan's columns, each with the words of its direction; none where it is another order."""

    rows: float
    order: tuple[tuple[str, str], ...]
    sorts: bool


def limited_above(tree: PlanTree, number: int, relation: Relation | None) -> Limited | None:
    """The LIMIT over a scan that is sorted for it, or whose index gives the order; None for any other scan."""
    node = tree.nodes[number]
    if not isinstance(node, ScanNode):
        return None
    above = tree.parent[number]
    sort = tree.nodes[above] if above >= 0 else None
    if isinstance(sort, SortNode):
        limit = _limit_over(tree, above, _PASSES_ON)
        if limit is None:
            return None
        rows = max(float(sort.actual_rows or 0.0), float(tree.nodes[limit].actual_rows or 0.0))
        return Limited(rows, _sorted_by(sort, node), sorts=True)
    if not isinstance(node, IndexScanNode) or node.index_cond is not None or not is_limited(tree, number):
        return None
    index = relation.index(node.index_name) if relation is not None and node.index_name else None
    return Limited(float(node.actual_rows or 0.0), _index_order(index, relation), sorts=False)


def is_limited(tree: PlanTree, number: int, handing_on: frozenset[str] = KEEP_THE_ORDER) -> bool:
    """Whether a LIMIT takes a node's rows in the order in which they come."""
    return _limit_over(tree, number, handing_on) is not None


def hoped_rows(tree: PlanTree, number: int) -> float | None:
    """Rows of an index's order after which the LIMIT above was expected to end; None where none takes that order.

    The planner takes the rows wanted to be spread evenly over the order (compare_fractional_path_costs).
    """
    node = tree.nodes[number]
    if not isinstance(node, IndexScanNode) or node.index_cond is not None:
        return None
    limit = _limit_over(tree, number, KEEP_THE_ORDER)
    below = tree.inputs(limit)[0] if limit is not None and len(tree.inputs(limit)) == 1 else None
    if limit is None or below is None or not node.plan_rows or not tree.nodes[below].plan_rows:
        return None
    share = float(tree.nodes[limit].plan_rows or 0.0) / float(tree.nodes[below].plan_rows or 1.0)
    return float(node.plan_rows) * min(share, 1.0)


def below_limit(tree: PlanTree, number: int) -> int:
    """The node whose rows the LIMIT above takes in the order of a scan; the scan itself where there is none."""
    limit = _limit_over(tree, number, KEEP_THE_ORDER)
    return number if limit is None else tree.inputs(limit)[0]


def rows_read(node: PlanNode) -> float:
    """Rows that a scan read each time: those that it gave, and those that its filter threw away."""
    return float(node.actual_rows or 0.0) + float(node.rows_removed_by_filter or 0.0)


def ended_late(tree: PlanTree, number: int) -> bool:
    """Whether a LIMIT read an order of magnitude further down an index's order than it hoped."""
    hoped, node = hoped_rows(tree, number), tree.nodes[number]
    return hoped is not None and node.loops == 1 and rows_read(node) >= max(MANY_READ, NEARLY_ALL * max(hoped, 1.0))


def _limit_over(tree: PlanTree, number: int, handing_on: frozenset[str]) -> int | None:
    here = number
    while (above := tree.parent[here]) >= 0:
        node = tree.nodes[above]
        if node.node_type == "Limit":
            return above
        if node.node_type not in handing_on or tree.nodes[here].parent_relationship == "Inner":
            return None
        here = above
    return None


def _sorted_by(sort: SortNode, scan: ScanNode) -> tuple[tuple[str, str], ...]:
    from rowreckon.sql.sort_keys import sort_key

    found = [sort_key(text) for text in sort.sort_key or ()]
    if any(key is None or key.table not in (None, scan.alias) for key in found):
        return ()
    return _as_needed([(key.column, key.words) for key in found if key is not None])


def _index_order(index: Index | None, relation: Relation | None) -> tuple[tuple[str, str], ...]:
    from rowreckon.sql.sort_keys import words_of

    if index is None or relation is None:
        return ()
    columns = [
        relation.column(k.attnum) if k.attnum and k.default_opclass and not k.collation else None for k in index.keys
    ]
    if any(c is None for c in columns):
        return ()
    words = [words_of(descending=k.descending, nulls_first=k.nulls_first) for k in index.keys]
    return _as_needed([(c.name, w) for c, w in zip(columns, words, strict=True) if c is not None])


def _as_needed(order: list[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Without words where all are as by default, or all the other way round: a B-tree is read from either end."""
    directions = {words for _, words in order}
    return tuple((column, "") for column, _ in order) if directions in ({""}, {"DESC"}) else tuple(order)
