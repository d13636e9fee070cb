"""What a plan does, as one line: methods, tables, indexes and order, without any figure.

Two values have the same plan where this line is the same. A partition counts as its table and its index as the table's,
so that a value that leads to another partition alone is no other plan.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from rowreckon.plan.names import printed_name
from rowreckon.plan.printed import printed_nodes
from rowreckon.stand_in.facts import StandInFacts

from .mapping import Answer

_MOST_LEVELS: Final = 100
"""Levels of partitions that are gone up: a file may say that two are each other's parents."""


class Shapes:
    """Tells plans apart; holds which table and index a partition's stand for."""

    def __init__(self, facts: StandInFacts) -> None:
        by_oid = {relation.oid: relation for relation in facts.relations}
        self._tables: dict[str, str] = {}
        for relation in facts.relations:
            top = relation
            for _ in range(_MOST_LEVELS):
                if not (top.partition and top.parents and top.parents[0] in by_oid):
                    break
                top = by_oid[top.parents[0]]
            self._tables[relation.name] = top.name
        indexes = {index.oid: index for index in facts.indexes}
        self._indexes: dict[str, str] = {}
        for index in facts.indexes:
            above = index
            for _ in range(_MOST_LEVELS):
                if above.parent is None or above.parent not in indexes:
                    break
                above = indexes[above.parent]
            self._indexes[index.name] = above.name

    def answer(self, plan: Mapping[str, Any]) -> Answer:
        """The plan whose root this is."""
        nodes = list(printed_nodes(plan))
        tables = [str(node[key]) for node in nodes for key in ("Relation Name", "Alias") if key in node]
        indexes = [str(node["Index Name"]) for node in nodes if "Index Name" in node]
        return Answer(
            self.line(plan),
            tuple(dict.fromkeys(self.label(node) for node in nodes)),
            float(plan["Total Cost"]),
            tuple(dict.fromkeys([*tables, *(self._tables.get(name, name) for name in tables)])),
            tuple(dict.fromkeys(self._indexes.get(name, name) for name in indexes)),
        )

    def line(self, plan: Mapping[str, Any]) -> str:
        """The plan below and including a node."""
        below = [self.line(child) for child in plan.get("Plans") or ()]
        if plan.get("Node Type") in ("Append", "Merge Append"):
            below = list(dict.fromkeys(below))
        return self.label(plan) + (f" ({', '.join(below)})" if below else "")

    def label(self, node: Mapping[str, Any]) -> str:
        """A node with what it reads: `Index Scan on guests g using guests_city`."""
        words = [printed_name(node)]
        table = node.get("Relation Name")
        if table:
            words.append(f"on {self._tables.get(table, table)}")
            alias = str(node.get("Alias") or "")
            partitioned = self._tables.get(table, table) != table
            if alias and alias != table and not partitioned:
                words.append(alias)
        index = node.get("Index Name")
        if index:
            words.append(f"using {self._indexes.get(index, index)}")
        return " ".join(words)
