"""What a live server expects and gets at a place of a plan, and how many pages it touches for it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import psycopg

from .model import Place

_JOINS: Final = frozenset({"Nested Loop", "Hash Join", "Merge Join"})
_PARTITION: Final = re.compile(r"_\d+$")
"""EXPLAIN numbers the partitions of an alias: b_1, b_2."""


@dataclass(frozen=True)
class Seen:
    """A plan that ran: estimated and actual rows for each loop at the place, pages touched, the server's ms."""

    estimated: float
    actual: float
    pages: int
    execution_ms: float
    plan: dict[str, Any]

    @property
    def q_error(self) -> float:
        """G. Moerkotte et al., PVLDB 2(1), 2009; rows below one count as one."""
        estimated, actual = max(self.estimated, 1.0), max(self.actual, 1.0)
        return max(estimated / actual, actual / estimated)


def explained(connection: psycopg.Connection[Any], query: str, place: Place | None = None) -> Seen:
    """Run the query under EXPLAIN ANALYZE and look at the place, or at the top. Raises LookupError where the plan has
    no such place."""
    row = connection.execute(f"explain (analyze, buffers, timing off, format json) {query}".encode()).fetchone()
    assert row is not None
    top = row[0][0]
    plan = top["Plan"]
    node = _found(plan, place) if place is not None else plan
    pages = int(plan.get("Shared Hit Blocks", 0)) + int(plan.get("Shared Read Blocks", 0))
    return Seen(float(node["Plan Rows"]), float(node["Actual Rows"]), pages, float(top["Execution Time"]), plan)


def worst_q_error(plan: dict[str, Any]) -> float:
    """The largest q-error of a plan's scans and joins."""
    seen = [Seen(float(n["Plan Rows"]), float(n["Actual Rows"]), 0, 0.0, n) for n in _nodes(plan) if _reads(n)]
    return max(node.q_error for node in seen)


def _reads(node: dict[str, Any]) -> bool:
    return node["Node Type"] in _JOINS or "Alias" in node


def shape(plan: dict[str, Any]) -> tuple[Any, ...]:
    """What tells two plans apart: nodes, relations and indexes, in their order."""
    own = (plan["Node Type"], plan.get("Alias"), plan.get("Index Name"))
    return (*own, *(shape(child) for child in plan.get("Plans", ())))


def join_methods(plan: dict[str, Any]) -> tuple[str, ...]:
    """The methods of a plan's joins, from the top."""
    return tuple(node["Node Type"] for node in _nodes(plan) if node["Node Type"] in _JOINS)


def _found(plan: dict[str, Any], place: Place) -> dict[str, Any]:
    nodes = [node for node in _nodes(plan) if _bears(node, place)]
    exact = [node for node in nodes if _aliases(node) == place.aliases]
    if exact:
        return exact[0]
    wider = [node for node in nodes if _aliases(node) > place.aliases]
    if not wider:
        raise LookupError(f"no node of {sorted(place.aliases)} in {shape(plan)}")
    return min(wider, key=lambda node: len(_aliases(node)))


def _bears(node: dict[str, Any], place: Place) -> bool:
    kind = str(node["Node Type"])
    if place.grouping:
        return kind in ("Aggregate", "Group")
    if len(place.aliases) > 1:
        return kind in _JOINS
    return kind not in ("Aggregate", "Group", "Limit")


def _nodes(plan: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Pre-order, so that the topmost of several comes first."""
    yield plan
    for child in plan.get("Plans", ()):
        yield from _nodes(child)


def _aliases(plan: dict[str, Any]) -> frozenset[str]:
    """The tables below and including a node; a subquery's or a function's own alias counts where nothing is below."""
    below: Sequence[dict[str, Any]] = plan.get("Plans", ())
    inner = [child for child in below if child.get("Parent Relationship") not in ("InitPlan", "SubPlan")]
    found = frozenset[str]().union(*(_aliases(child) for child in inner)) if inner else frozenset[str]()
    own = plan.get("Alias")
    if own is None or (found and plan["Node Type"] == "Subquery Scan"):
        return found
    return found | {_PARTITION.sub("", own)}
