"""What is made of the rows of a query's uppermost join: they are put in order, grouped, or freed of repetitions.

Whether the plan sorts, hashes or takes rows as they come, and in how many processes, is the planner's choice: here
stands what the query asks for. Source: grouping_planner in optimizer/plan/planner.c, releases 13 to 18.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from rowreckon.frozen import frozen
from rowreckon.joins.facts.above import aggregates
from rowreckon.joins.facts.wanted_above import may_hash
from rowreckon.plan.node_texts import ordering_key
from rowreckon.plan.nodes import AggregateNode, GatherNode, IncrementalSortNode, SortNode
from rowreckon.sql.questions import first_of_equals, sorts_rows

if TYPE_CHECKING:
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.plan.tree import PlanTree

Kind = Literal["order", "group", "distinct"]


@frozen
class TopAbove:
    """What is wanted of a join's rows.

    `keys` are the expressions by which they are ordered or grouped; `groups` how many groups are expected, `calls` how
    many aggregates there are, `hashes` whether a hash table could find the groups, `shares` whether each process may
    group its own rows first. `leading` stands for the first key where its groups are counted: of the columns that are
    equal to it the first.
    """

    kind: Kind
    keys: tuple[str, ...]
    groups: float = 1.0
    calls: int = 0
    hashes: bool = False
    shares: bool = False
    leading: str = ""


def top_above(
    reckoned: ReckonedTree, number: int, delivered: tuple[str, ...], query: str | None, server_major: int
) -> TopAbove | None:
    """What stands above the join at `number`, which delivers its rows in an order (`delivered`, empty: none); None
    where it is anything else than one of these, or nothing."""
    found = _asked(reckoned, number, delivered, query, server_major)
    if found is None or len(found.keys) < 2:
        return found
    return replace(found, leading=found.keys[0] if query is None else first_of_equals(query, found.keys[0]))


def _asked(
    reckoned: ReckonedTree, number: int, delivered: tuple[str, ...], query: str | None, server_major: int
) -> TopAbove | None:
    tree = reckoned.tree
    at, merged = number, False
    keys: tuple[str, ...] = ()
    while at > 0:
        above, child = tree.parent[at], tree.nodes[at]
        node = tree.nodes[above]
        if child.parent_relationship in ("InitPlan", "SubPlan", "Subquery"):
            return None
        if isinstance(node, AggregateNode):
            return _grouped(reckoned, above, server_major, query)
        if node.node_type == "Unique":
            keys = keys or delivered
            groups = float(tree.nodes[_last(tree, above)].plan_rows or 1.0)
            return TopAbove("distinct", keys, groups, hashes=True, shares=True) if keys else None
        if isinstance(node, (SortNode, IncrementalSortNode)):
            keys = keys or tuple(ordering_key(key.removesuffix(" DESC")) for key in node.sort_key or ())
        elif isinstance(node, GatherNode):
            merged = merged or node.node_type == "Gather Merge"
        else:
            return None
        at = above
    if not keys and delivered and (merged or (query is not None and sorts_rows(query))):
        keys = delivered[:1]
    return TopAbove("order", keys) if keys else None


def _last(tree: PlanTree, number: int) -> int:
    """The uppermost of the nodes that group the same rows: each process may do so first, then one over theirs."""
    last = at = number
    while at > 0:
        at = tree.parent[at]
        node = tree.nodes[at]
        keys = node.group_key if isinstance(node, AggregateNode) else None
        if node.node_type == "Unique" or (keys and keys == getattr(tree.nodes[number], "group_key", keys)):
            last = at
        elif not isinstance(node, (GatherNode, SortNode, IncrementalSortNode)):
            break
    return last


def _grouped(reckoned: ReckonedTree, number: int, server_major: int, query: str | None) -> TopAbove | None:
    tree = reckoned.tree
    node = tree.nodes[number]
    assert isinstance(node, AggregateNode)
    if not node.group_key or node.grouping_sets:
        return None
    last = _last(tree, number)
    calls, shared = aggregates(node, server_major)
    return TopAbove(
        "group" if calls else "distinct",
        tuple(ordering_key(key) for key in node.group_key),
        max(float(tree.nodes[last].plan_rows or 1.0), 1.0),
        calls,
        may_hash(node, query),
        bool(shared),
    )
