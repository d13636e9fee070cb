"""For which share of the values that a fact may have an undecided verdict would be held, and crossed.

The fact is how many different values a column has, the one on which such a verdict hangs. The verdict is worked out
anew at values from the fewest to the most that are possible, as far apart by ratio.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import Verdict
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.from_plan.whole_table_scans import RelationEvidence
from rowreckon.learned.facts import Bounds, ColumnName, DistinctFact, LearnedFacts, relation_name
from rowreckon.plan.nodes import ScanNode

_TRIED = 12


def shares_of_values(
    column: ColumnName,
    relations: RelationEvidence,
    reckoned: ReckonedTree,
    facts: JoinFacts,
    verdict_with: Callable[[LearnedFacts], Verdict],
) -> str:
    """What is said of the shares, of the values by ratio; empty where the column's table has no known size, or no
    value decides. `verdict_with` judges the join with other facts."""
    rows = _rows(column, relations, reckoned, facts)
    told = relations.distinct(column)
    low = max(told.low if told is not None else 1.0, 2.0)
    high = min(told.high if told is not None else rows, rows)
    if high <= low:
        return ""
    found: Counter[Verdict] = Counter()
    for number in range(_TRIED):
        values = float(round(low * (high / low) ** ((number + 0.5) / _TRIED)))
        fact = DistinctFact(Bounds(values, values), ())
        found[verdict_with(replace(relations.learned, distinct={**relations.learned.distinct, column: fact}))] += 1
    held, crossed = (found[verdict] / _TRIED for verdict in ("held", "crossed"))
    if not held and not crossed:
        return ""
    return f"held for {held:.0%} of {low:,.0f} to {high:,.0f} values, crossed for {crossed:.0%}"


def _rows(column: ColumnName, relations: RelationEvidence, reckoned: ReckonedTree, facts: JoinFacts) -> float:
    for number in (facts.outer.scan, facts.inner.scan):
        node = reckoned.tree.nodes[number] if number is not None else None
        if isinstance(node, ScanNode) and relation_name(node.schema_name, node.relation_name) == column.relation:
            seen = relations.of(node)
            return seen.tuples if seen is not None else 0.0
    return 0.0
