"""Which columns of a relation a join and all above it need: a scan below may hand up more, whole rows.

Source: use_physical_tlist in optimizer/plan/createplan.c; check_index_only in optimizer/path/indxpath.c.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.node_texts import conditions_at
from rowreckon.plan.nodes import ScanNode

if TYPE_CHECKING:
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.joins.facts.sides import JoinFacts


def needed_columns(reckoned: ReckonedTree, facts: JoinFacts, number: int | None) -> frozenset[str] | None:
    """The columns of the relation that the node scans which are needed of it, None where the plan does not tell."""
    tree = reckoned.tree
    scan = tree.nodes[number] if number is not None else None
    output = tree.nodes[facts.node].output
    if not isinstance(scan, ScanNode) or scan.alias is None or output is None or number is None:
        return None
    found: set[str] = set()
    texts = [*output, *conditions_at(tree.nodes[facts.node])]
    for at in tree.subtree(number):
        texts += conditions_at(tree.nodes[at])
    for text in texts:
        condition = parse_condition(text)
        if not condition.parsed:
            return None
        found.update(c.column for c in condition.columns if c.table in (None, scan.alias))
    for clause in facts.clauses:
        for column in (clause.outer_column, clause.inner_column):
            if column is not None and column.table in (None, scan.alias):
                found.add(column.column)
    return frozenset(found)
