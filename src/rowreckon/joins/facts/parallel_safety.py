"""Whether several processes may share the work of a query, and of one side of a join.

Source: standard_planner in optimizer/plan/planner.c (a SELECT without locks and unsafe functions, workers allowed),
set_rel_consider_parallel in optimizer/path/allpaths.c, releases 13 to 18.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.plan.node_texts import clauses_at
from rowreckon.plan.nodes import (
    AggregateNode,
    AppendNode,
    BitmapCombineNode,
    BitmapHeapScanNode,
    BitmapIndexScanNode,
    ForeignScanNode,
    GatherNode,
    HashNode,
    IncrementalSortNode,
    IndexScanNode,
    JoinNode,
    MaterializeNode,
    MemoizeNode,
    ModifyTableNode,
    ScanNode,
    SortNode,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from rowreckon.catalog.facts import Catalog
    from rowreckon.cost import CostSettings
    from rowreckon.joins.facts.known_relation import KnownRelation
    from rowreckon.plan.base import PlanNode
    from rowreckon.plan.tree import PlanTree

_SAFE = (
    AggregateNode,
    AppendNode,
    BitmapCombineNode,
    BitmapHeapScanNode,
    BitmapIndexScanNode,
    GatherNode,
    HashNode,
    IncrementalSortNode,
    IndexScanNode,
    JoinNode,
    MaterializeNode,
    MemoizeNode,
    ScanNode,
    SortNode,
)
"""Nodes that every process can run by itself; what else there may be is not asked for its functions."""


class ParallelSafety:
    """What a plan and its catalog say of parallel work; looked up once per plan.

    `allowed` says that the planner may have thought of it at all, `shown` that the plan holds a Gather.
    """

    def __init__(
        self,
        settings: CostSettings,
        tree: PlanTree,
        catalog: Catalog,
        relation_of: Callable[[int], KnownRelation | None],
    ) -> None:
        self._tree = tree
        self._relation_of = relation_of
        self._suspects = frozenset(f.name for f in catalog.functions if f.parallel in ("restricted", "unsafe"))
        unsafe = frozenset(f.name for f in catalog.functions if f.parallel == "unsafe")
        self.shown = any(isinstance(node, GatherNode) for node in tree.nodes)
        self.allowed = self.shown or (
            settings.max_parallel_workers_per_gather > 0
            and not any(isinstance(n, ModifyTableNode) or n.node_type == "LockRows" for n in tree.nodes)
            and not (unsafe and any(_functions(node) & unsafe for node in tree.nodes))
        )
        self._below: list[bool] | None = None
        self._gathers: list[bool] | None = None

    def may_share(self, number: int) -> bool:
        """Whether all processes may run what stands at a node and below, each its part or each all of it."""
        if not self.allowed:
            return False
        if self._below is None:
            self._below = [False] * len(self._tree)
            for at in range(len(self._tree) - 1, -1, -1):
                children = self._tree.children[at]
                self._below[at] = self._is_safe(at) and all(self._below[child] for child in children)
        return self._below[number]

    def gathers_below(self, number: int) -> bool:
        """Whether a Gather stands at a node or below it: no process of another Gather can run that."""
        if not self.shown:
            return False
        if self._gathers is None:
            self._gathers = [False] * len(self._tree)
            for at in range(len(self._tree) - 1, -1, -1):
                node, children = self._tree.nodes[at], self._tree.children[at]
                self._gathers[at] = isinstance(node, GatherNode) or any(self._gathers[child] for child in children)
        return self._gathers[number]

    def _is_safe(self, number: int) -> bool:
        node = self._tree.nodes[number]
        if not (isinstance(node, _SAFE) or node.node_type == "Unique"):
            return False
        if isinstance(node, ForeignScanNode) or self._tree.subplans(number):
            return False
        if self._suspects and _functions(node) & self._suspects:
            return False
        relation = self._relation_of(number) if isinstance(node, ScanNode) else None
        return relation is None or relation.relation.persistence != "temporary"


def _functions(node: PlanNode) -> frozenset[str]:
    """The functions that a node's conditions name."""
    return frozenset(function for clause in clauses_at(node) for function in clause.functions)
