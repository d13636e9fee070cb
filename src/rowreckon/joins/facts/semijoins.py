"""Recognises a semijoin that was run as an inner join over a side without duplicates.

EXPLAIN shows an inner join over an Aggregate or Unique that groups by the join key. A subquery with DISTINCT or GROUP
BY looks the same, so the query's text has to rule that out; without it nothing is recognised.
"""

from __future__ import annotations

from dataclasses import replace

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.sides import JoinFacts, Side, side_facts
from rowreckon.plan.nodes import AggregateNode, PassNode, SortNode
from rowreckon.sql.questions import removes_duplicates


def as_semijoin(reckoned: ReckonedTree, facts: JoinFacts, query: str | None) -> JoinFacts:
    """The facts with the semijoin's own inner side, where the join is one; else unchanged.

    The side without duplicates may be read as the join's outer one: the semijoin then stands the other way round.
    """
    if facts.kind != "Inner" or query is None:
        return facts
    found = _without_duplicates(reckoned, facts)
    return facts if found is None or removes_duplicates(query) else found


def _without_duplicates(reckoned: ReckonedTree, facts: JoinFacts) -> JoinFacts | None:
    """The facts of a semijoin, where a side lost its duplicates; None where none did."""
    if not facts.inner.parameterised:
        inner = _before(reckoned, facts.inner, {c.inner_text for c in facts.clauses})
        if inner is not None:
            # Inner Unique spoke of the side without duplicates, not of the relation
            return replace(facts, kind="Semi", inner=inner, inner_unique=False, made_unique="inner")
    outer = _before(reckoned, facts.outer, {c.outer_text for c in facts.clauses})
    if outer is not None:
        return replace(facts, kind="Right Semi", outer=outer, made_unique="outer")
    return None


def _before(reckoned: ReckonedTree, side: Side, keys: set[str]) -> Side | None:
    """The relation below a side that lost its duplicates by these keys; None where it is something else."""
    tree = reckoned.tree
    node = tree.nodes[side.node]
    below = tree.inputs(side.node)
    grouped = isinstance(node, AggregateNode) and node.strategy in ("Hashed", "Sorted")
    if not (grouped or (isinstance(node, PassNode) and node.node_type == "Unique")) or len(below) != 1:
        return None
    at = below[0]
    while isinstance(tree.nodes[at], SortNode) and len(tree.inputs(at)) == 1:
        at = tree.inputs(at)[0]
    if isinstance(node, AggregateNode) and node.group_key is not None and not keys <= set(node.group_key):
        return None
    found = side_facts(reckoned, at, parameterised=False)
    return replace(found, child=side.child, sorted_here=side.sorted_here) if found.scan is not None else None
