"""How much of its relation a parameterised scan's own filter let through, beside what was expected of it.

Such a scan is never run by itself, so nothing counts its relation's rows; but of the rows that its index found, the
filter kept some and removed the others.
"""

from __future__ import annotations

from math import prod, sqrt
from typing import TYPE_CHECKING

from rowreckon.counts.interval import Interval, actual_interval
from rowreckon.plan.conditions import parse_condition

if TYPE_CHECKING:
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.joins.facts.known_relation import KnownRelation
    from rowreckon.joins.facts.sides import Side

AS_EXPECTED = Interval(1.0, 1.0)
"""The factor where nothing tells of another."""

_SIGMAS = 3.0
"""Rows kept prove nothing within this many standard deviations of those expected (common practice, no source)."""


def own_factor(reckoned: ReckonedTree, side: Side, relation: KnownRelation) -> Interval:
    """Between how many times more rows than expected a relation's own conditions let through, as rows of one execution
    are printed rounded; `AS_EXPECTED` where nothing tells."""
    if side.scan is None or reckoned.counts[side.scan].state != "exact":
        return AS_EXPECTED
    node, counted = reckoned.tree.nodes[side.scan], reckoned.counts[side.scan].actual_interval
    expected = _expected(node.filter, relation)
    if expected is None or counted is None:
        return AS_EXPECTED
    removed = actual_interval(node.rows_removed_by_filter or 0, node.loops, decimals=False)
    seen = max(counted.high + removed.high, 1.0)
    low, high = counted.low / max(counted.low + removed.high, 1.0), counted.high / max(counted.high + removed.low, 1.0)
    play = (_SIGMAS * sqrt(expected * seen) + 1.0) / seen
    if low - play <= expected <= high + play:
        return AS_EXPECTED
    return Interval(low / expected, high / expected)


def _expected(filter_text: str | None, relation: KnownRelation) -> float | None:
    """The selectivity of a scan's filter, None where it has none, or holds more than the relation's own conditions."""
    if filter_text is None:
        return None
    own = {r.clause.text: r.selectivity for r in relation.restrictions}
    parsed = parse_condition(filter_text)
    shares = [own.get(clause.text) for clause in parsed.clauses]
    if not parsed.parsed or not shares or any(s is None or s <= 0.0 for s in shares):
        return None
    if len(shares) == len(own):
        return relation.selectivity or None
    return prod(s for s in shares if s is not None)
