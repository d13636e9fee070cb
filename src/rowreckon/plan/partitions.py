"""Partitions under an Append: each is scanned under its table's alias with a number behind it.

EXPLAIN names a scan of a partition `n_1`, while every condition above the Append names the table itself, `n`. Source:
set_rtable_names and resolve_special_varno in utils/adt/ruleutils.c, releases 13 to 18.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from rowreckon.plan.nodes import AppendNode, IncrementalSortNode, ScanNode, SortNode
from rowreckon.plan.tree import PlanTree

_NUMBERED = re.compile(r"(.+)_\d+", re.S)


class WholeTable(NamedTuple):
    """The table that a partition belongs to: its alias, and the Append that stands for it."""

    alias: str
    append: int


class Members:
    """Which scans of a plan are partitions of which table, as far as their aliases tell."""

    def __init__(self, tree: PlanTree) -> None:
        self._whole: dict[int, WholeTable] = {}
        self._appends: dict[str, list[int]] = {}
        appends = [n for n, node in enumerate(tree.nodes) if isinstance(node, AppendNode)]
        if not appends:
            return
        taken = {node.alias for node in tree.nodes if isinstance(node, ScanNode)}
        for number in appends:
            for at in tree.subtree(number):
                node = tree.nodes[at]
                if at in self._whole or not isinstance(node, ScanNode) or not node.relation_name or not node.alias:
                    continue
                named = _NUMBERED.fullmatch(node.alias)
                if named is None or named.group(1) in taken:
                    continue
                self._whole[at] = WholeTable(named.group(1), number)
                standing = self._appends.setdefault(named.group(1), [])
                if number not in standing:
                    standing.append(number)

    def whole_of(self, number: int) -> WholeTable | None:
        """The table whose partition the scan at `number` reads; None where it is a relation of its own."""
        return self._whole.get(number)

    def appends(self) -> Iterator[tuple[str, list[int]]]:
        """Each table's alias with the Appends that stand for it."""
        return iter(self._appends.items())

    def scans_of(self, alias: str) -> tuple[int, ...]:
        """The partitions scanned of the table under an alias; none where two Appends stand for that alias."""
        if len(self._appends.get(alias, ())) != 1:
            return ()
        return tuple(number for number, whole in self._whole.items() if whole.alias == alias)


def partitioned_alias(tree: PlanTree, number: int) -> str | None:
    """The alias of the table whose partitions the Append at `number` brings together; None where it is no such node."""
    if not isinstance(tree.nodes[number], AppendNode):
        return None
    stems: set[str | None] = set()
    for member in tree.inputs(number):
        at = member
        while not isinstance(tree.nodes[at], ScanNode) and len(tree.inputs(at)) == 1:
            at = tree.inputs(at)[0]
        node = tree.nodes[at]
        alias = node.alias if isinstance(node, ScanNode) and node.relation_name else None
        named = _NUMBERED.fullmatch(alias) if alias is not None else None
        stems.add(named.group(1) if named is not None else None)
    return next(iter(stems)) if len(stems) == 1 else None


def is_appended(tree: PlanTree, number: int) -> bool:
    """Whether a scan is an input of an Append, by itself or sorted: the planner shares it even where it is small."""
    above = tree.parent[number]
    while above >= 0 and isinstance(tree.nodes[above], (SortNode, IncrementalSortNode)):
        above = tree.parent[above]
    return above >= 0 and isinstance(tree.nodes[above], AppendNode)
