"""Recognises a semijoin that was run as an inner join over a side without duplicates.

EXPLAIN shows an inner join over an Aggregate or Unique that groups by the join key. A subquery with DISTINCT or GROUP
BY looks the same, so the query's text has to rule that out; without it nothing is recognised.
"""

from __future__ import annotations

import re
from dataclasses import replace

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.plan.nodes import AggregateNode, PassNode, SortNode

from .sides import JoinFacts, side_facts

_DEDUPLICATES = re.compile(r"\b(distinct|group\s+by|union|intersect|except)\b", re.I)


def as_semijoin(reckoned: ReckonedTree, facts: JoinFacts, query: str | None) -> JoinFacts:
    """The facts with the semijoin's own inner side, where the join is one; else unchanged."""
    if facts.kind != "Inner" or facts.inner.parameterised or query is None or _DEDUPLICATES.search(query):
        return facts
    tree = reckoned.tree
    node = tree.nodes[facts.inner.node]
    below = tree.inputs(facts.inner.node)
    grouped = isinstance(node, AggregateNode) and node.strategy in ("Hashed", "Sorted")
    if not (grouped or (isinstance(node, PassNode) and node.node_type == "Unique")) or len(below) != 1:
        return facts
    at = below[0]
    while isinstance(tree.nodes[at], SortNode) and len(tree.inputs(at)) == 1:
        at = tree.inputs(at)[0]
    keys = {c.inner_text for c in facts.clauses}
    if isinstance(node, AggregateNode) and node.group_key is not None and not keys <= set(node.group_key):
        return facts
    inner = side_facts(reckoned, at, parameterised=False)
    if inner.scan is None:
        return facts
    return replace(facts, kind="Semi", inner=replace(inner, child=facts.inner.child), inner_made_unique=True)
