"""Captures a statement on a live server and reckons it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import psycopg

from rowreckon.counts import ReckonedTree, reckon
from rowreckon.counts.reckon import NodeCount
from rowreckon.plan import lay_out, parse_document
from rowreckon.plan.base import PlanNode


@dataclass(frozen=True)
class Captured:
    """One executed plan with its totals, and ways to find a node in it."""

    reckoned: ReckonedTree

    def find(self, node_type: str, **attributes: object) -> tuple[int, PlanNode, NodeCount]:
        """The first node of a type whose attributes have these values."""
        for number, node in enumerate(self.reckoned.tree.nodes):
            if node.node_type == node_type and all(getattr(node, k, None) == v for k, v in attributes.items()):
                return number, node, self.reckoned.counts[number]
        shape = [n.node_type for n in self.reckoned.tree.nodes]
        raise AssertionError(f"no {node_type} with {attributes} in {shape}")

    def count(self, node_type: str, **attributes: object) -> NodeCount:
        """The totals of that node."""
        return self.find(node_type, **attributes)[2]


def explain(connection: psycopg.Connection[Any], sql: str, options: str = "ANALYZE, TIMING OFF") -> dict[str, Any]:
    """The raw EXPLAIN object of a statement."""
    row = connection.execute(f"EXPLAIN ({options}, FORMAT JSON) {sql}".encode()).fetchone()
    assert row is not None
    document: dict[str, Any] = row[0][0]
    return document


def capture(connection: psycopg.Connection[Any], sql: str, **settings: str) -> Captured:
    """Run a statement under EXPLAIN with some settings, and reckon its plan."""
    with session(connection, settings):
        document = explain(connection, sql)
    return Captured(reckon(lay_out(parse_document(document).plan)))


@contextmanager
def session(connection: psycopg.Connection[Any], settings: Mapping[str, str]) -> Iterator[None]:
    """Settings that end with the block."""
    with connection.transaction(force_rollback=True):
        for name, value in settings.items():
            connection.execute(f"SET LOCAL {name} = '{value}'".encode())
        yield
