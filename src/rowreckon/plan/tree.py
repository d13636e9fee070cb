"""A plan laid out flat, in pre-order: node numbers, parents, children and subtrees without recursion.

The subtree of node i is the run i … end[i] - 1, since pre-order keeps subtrees together.
"""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.frozen import frozen
from rowreckon.plan.base import PlanNode
from rowreckon.plan.nodes import (
    BitmapIndexScanNode,
    CteScanNode,
    ForeignScanNode,
    FunctionScanNode,
    JoinNode,
    ScanNode,
    SubqueryScanNode,
    ValuesScanNode,
)

_INPUTS = ("Outer", "Inner", "Member", "Subquery")


@frozen
class PlanTree:
    """All nodes of one plan by pre-order number."""

    nodes: tuple[PlanNode, ...]
    parent: tuple[int, ...]
    children: tuple[tuple[int, ...], ...]
    end: tuple[int, ...]
    position: tuple[int, ...]

    def __len__(self) -> int:
        return len(self.nodes)

    def path(self, number: int) -> tuple[int, ...]:
        """Child positions from the root."""
        steps: list[int] = []
        while number > 0:
            steps.append(self.position[number])
            number = self.parent[number]
        return tuple(reversed(steps))

    def paths(self) -> list[tuple[int, ...]]:
        """All paths, by node number."""
        found: list[tuple[int, ...]] = [()]
        for number in range(1, len(self.nodes)):
            found.append((*found[self.parent[number]], self.position[number]))
        return found

    def inputs(self, number: int) -> tuple[int, ...]:
        """The children whose rows flow into this node: no InitPlans, no SubPlans."""
        children = self.children[number]
        return tuple([c for c in children if self.nodes[c].parent_relationship in _INPUTS]) if children else children

    def only_input(self, number: int) -> int | None:
        """The one child whose rows flow into this node; None where it has none, as in a file that was tampered with,
        or several."""
        found = self.inputs(number)
        return found[0] if len(found) == 1 else None

    def subplans(self, number: int) -> tuple[int, ...]:
        """InitPlans and SubPlans attached to this node."""
        return tuple(c for c in self.children[number] if self.nodes[c].parent_relationship not in _INPUTS)

    def side(self, number: int, relationship: str) -> int | None:
        """The child that stands in the given Parent Relationship, if there is exactly such a one."""
        for child in self.children[number]:
            if self.nodes[child].parent_relationship == relationship:
                return child
        return None

    def outer(self, number: int) -> int | None:
        """The outer input."""
        return self.side(number, "Outer")

    def inner(self, number: int) -> int | None:
        """The inner input (hash join: the Hash node of the build side)."""
        return self.side(number, "Inner")

    def subtree(self, number: int) -> range:
        """Numbers of the node and everything below it."""
        return range(number, self.end[number])

    def joins(self) -> tuple[int, ...]:
        """Numbers of all join nodes that have both sides."""
        return tuple(
            i
            for i, node in enumerate(self.nodes)
            if isinstance(node, JoinNode) and self.outer(i) is not None and self.inner(i) is not None
        )


def lay_out(root: PlanNode) -> PlanTree:
    """The tree of `root` in pre-order; linear in nodes."""
    nodes: list[PlanNode] = []
    parent: list[int] = []
    position: list[int] = []
    below: list[list[int]] = []
    stack: list[tuple[PlanNode, int, int]] = [(root, -1, 0)]
    while stack:
        node, above, number = stack.pop()
        here = len(nodes)
        nodes.append(node)
        parent.append(above)
        position.append(number)
        below.append([])
        if above >= 0:
            below[above].append(here)
        plans = node.plans
        for n in range(len(plans) - 1, -1, -1):
            stack.append((plans[n], here, n))
    end = [i + 1 for i in range(len(nodes))]
    for here in range(len(nodes) - 1, 0, -1):
        end[parent[here]] = max(end[parent[here]], end[here])
    return PlanTree(
        nodes=tuple(nodes),
        parent=tuple(parent),
        children=tuple(tuple(numbers) for numbers in below),
        end=tuple(end),
        position=tuple(position),
    )


def base_name(node: PlanNode) -> str | None:
    """What a leaf reads, as schema.name, name or alias; None for nodes that read no relation of their own."""
    if isinstance(node, (ScanNode, ForeignScanNode)):
        name = node.relation_name or node.alias
        return f"{node.schema_name}.{name}" if node.schema_name and node.relation_name else name
    if isinstance(node, FunctionScanNode):
        return node.alias or node.function_name or node.table_function_name
    if isinstance(node, CteScanNode):
        return node.cte_name or node.tuplestore_name or node.alias
    if isinstance(node, ValuesScanNode):
        return node.alias
    return None


def alias_of(node: PlanNode) -> str | None:
    """The name by which conditions refer to a scan's columns."""
    if isinstance(node, (ScanNode, SubqueryScanNode, FunctionScanNode, ValuesScanNode, CteScanNode)):
        return node.alias
    return None


def index_of(node: PlanNode) -> str | None:
    """The index that a node reads, if any."""
    name = getattr(node, "index_name", None)
    return name if isinstance(name, str) else None


def tables_below(tree: PlanTree) -> Sequence[tuple[str, ...]]:
    """For each node the base relations at and below it, in pre-order, each once; shared where they are the same."""
    found: list[tuple[str, ...]] = [()] * len(tree)
    for here in range(len(tree) - 1, -1, -1):
        node = tree.nodes[here]
        own = None if isinstance(node, BitmapIndexScanNode) else base_name(node)
        names: tuple[str, ...] = () if own is None else (own,)
        for child in tree.children[here]:
            below = found[child]
            if not names:
                names = below
            elif below:
                # Most sides share no name: then this is one concatenation, not a walk over both.
                few, many = (below, names) if len(below) < len(names) else (names, below)
                new = below if frozenset(few).isdisjoint(many) else tuple(n for n in below if n not in names)
                names = names + new if new else names
        found[here] = names
    return found
