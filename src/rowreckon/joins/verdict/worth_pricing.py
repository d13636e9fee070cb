"""Which joins of a plan are priced: all whose counts are in doubt, and of the others only those that somebody may see.

What a join would have cost by other methods takes longer to work out than all else that is said of it. Where both
sides and the output came about as estimated, no error can have carried it anywhere.
"""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.counts.timing import own_times
from rowreckon.joins.facts.sides import JoinFacts

_RIGHT = 2.0
"""The q-error below which a count is as good as right: a smaller one enters everywhere and explains nothing."""

MOST_RIGHT = 30
"""Joins of a plan whose counts are right, from the top, that are priced all the same: what a report shows of them."""

_WORTH_NAMING = 0.05
"""The share of the plan's time from which on such a join is priced wherever it stands: an index might serve it."""


def right_below(threshold: float) -> float:
    """The q-error below which a count is as good as right, where `threshold` is the one called a misestimate."""
    return min(_RIGHT, threshold)


def joins_to_price(reckoned: ReckonedTree, joins: Sequence[JoinFacts], *, threshold: float) -> frozenset[int]:
    """The nodes of the joins, given in pre-order, that are priced; `threshold` is the q-error called a misestimate."""
    limit = right_below(threshold)
    right = [facts.node for facts in joins if _is_right(reckoned, facts, limit)]
    if len(right) <= MOST_RIGHT:
        return frozenset(facts.node for facts in joins)
    slow = _slow(reckoned)
    spared = frozenset(node for node in right[MOST_RIGHT:] if node not in slow)
    return frozenset(facts.node for facts in joins if facts.node not in spared)


def _is_right(reckoned: ReckonedTree, facts: JoinFacts, limit: float) -> bool:
    """Whether both sides and the output ran, and none is known to be off by the limit or more.

    What was not read to its end, or read again, is taken at its estimate unless more came already (see `usable_rows`).
    """
    for number in (facts.node, facts.outer.node, facts.inner.node):
        count = reckoned.counts[number]
        error = count.q_error_low
        if count.state == "exact":
            if error is None or error >= limit:
                return False
        elif count.state not in ("at_least", "reread") or error is not None:
            return False
    return True


def _slow(reckoned: ReckonedTree) -> frozenset[int]:
    """The joins that took, with their inputs down to the next join, a share of the time worth naming."""
    tree, own = reckoned.tree, own_times(reckoned)
    whole = sum(ms or 0.0 for ms in own)
    joins = frozenset(tree.joins())
    charged: dict[int, float] = {}
    owner = [0] * len(tree)
    for number, ms in enumerate(own):
        owner[number] = number if number in joins or number == 0 else owner[tree.parent[number]]
        charged[owner[number]] = charged.get(owner[number], 0.0) + (ms or 0.0)
    return frozenset(number for number, ms in charged.items() if ms >= _WORTH_NAMING * whole > 0.0)
