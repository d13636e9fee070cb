"""How far the learned size of a relation may move before a verdict turns.

The verdict is worked out anew at sizes further and further from what was learned, pages and rows moved together.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import FactLimit, Verdict
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.learned.facts import Bounds, LearnedFacts, RelationName, Size, SizeFact, relation_name
from rowreckon.plan.nodes import ScanNode

_STEPS = (1.3, 3.0, 10.0)
"""By what factors a size is moved, either way (common practice, no source)."""


def turning(
    learned: LearnedFacts,
    reckoned: ReckonedTree,
    facts: JoinFacts,
    verdict: Verdict,
    verdict_with: Callable[[LearnedFacts], Verdict],
) -> tuple[FactLimit, ...]:
    """For each learned size of the join's relations the rows between which the verdict was found to stay; an end is
    open where it stays as far as was tried. `verdict_with` judges the join with other facts."""
    found: list[FactLimit] = []
    for relation in _relations(learned, reckoned, facts):
        fact = learned.sizes[relation]
        rows = fact.size.settled().rows.low
        low, high = (_stays(learned, relation, fact, verdict, verdict_with, up=up) for up in (False, True))
        source = str(fact.sources[0]) if fact.sources else None
        found.append(FactLimit(fact=f"rows of {relation}", value=rows, from_=low, to=high, source=source))
    return tuple(found)


def _relations(learned: LearnedFacts, reckoned: ReckonedTree, facts: JoinFacts) -> list[RelationName]:
    found: list[RelationName] = []
    for number in (facts.outer.scan, facts.inner.scan):
        node = reckoned.tree.nodes[number] if number is not None else None
        name = relation_name(node.schema_name, node.relation_name) if isinstance(node, ScanNode) else None
        fact = learned.sizes.get(name) if name is not None else None
        if name is not None and name not in found and fact is not None and fact.size.settled().exact:
            found.append(name)
    return found


def _stays(
    learned: LearnedFacts,
    relation: RelationName,
    fact: SizeFact,
    verdict: Verdict,
    verdict_with: Callable[[LearnedFacts], Verdict],
    *,
    up: bool,
) -> float | None:
    """The rows furthest from what was learned with which the verdict stays; None where it does as far as is tried."""
    size = fact.size.settled()
    pages, rows = size.pages.low, size.rows.low
    kept = rows
    for step in _STEPS:
        factor = step if up else 1.0 / step
        moved = max(float(round(rows * factor)), 1.0), max(float(round(pages * factor)), 1.0)
        away = Size(Bounds(moved[1], moved[1]), Bounds(moved[0], moved[0]))
        other = replace(learned, sizes={**learned.sizes, relation: fact._replace(size=away)})
        if verdict_with(other) != verdict:
            return kept
        kept = moved[0]
    return None
