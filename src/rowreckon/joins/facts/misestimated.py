"""Which joins of a plan are misestimated: those whose inputs or output are off by the threshold or more. No costs."""

from __future__ import annotations

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.sides import Aliases, JoinFacts, join_facts


def misestimated_joins(reckoned: ReckonedTree, *, threshold: float) -> tuple[JoinFacts, ...]:
    """The facts of each such join, in pre-order. `threshold` is a q-error of at least 1."""
    aliases = Aliases(reckoned.tree)
    found = []
    for number in reckoned.tree.joins():
        facts = join_facts(reckoned, number, aliases)
        errors = (facts.outer.q_error_low, facts.inner.q_error_low, reckoned.counts[number].q_error_low)
        if any(e is not None and e >= threshold for e in errors):
            found.append(facts)
    return tuple(found)
