"""One join with all that is known of its plan: what each step that reads evidence off the plan is given."""

from __future__ import annotations

from rowreckon.cost import CostSettings
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.joins.facts.sides import JoinFacts


@frozen
class JoinAtHand:
    """The planner's settings, the plan with its counts, and the facts of the join that is looked at."""

    settings: CostSettings
    reckoned: ReckonedTree
    facts: JoinFacts
