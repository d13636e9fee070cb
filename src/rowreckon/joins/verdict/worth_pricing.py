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

PRICED_WHOLE = 20
"""Up to so many joins whose counts are right are all priced, as in everyday plans."""

MOST_RIGHT = 5
"""Of more than these, so many from the top are priced all the same: what a report shows first of them."""

_WORTH_NAMING = 0.05
"""The share of the plan's time from which on such a join is priced wherever it stands: an index might serve it."""


def right_below(threshold: float) -> float:
    """The q-error below which a count is as good as right, where `threshold` is the one called a misestimate."""
    return min(_RIGHT, threshold)


def joins_to_price(
    reckoned: ReckonedTree,
    joins: Sequence[JoinFacts],
    *,
    threshold: float,
    own_ms: Sequence[float | None] | None = None,
) -> frozenset[int]:
    """The nodes of the joins, given in pre-order, that are priced; `threshold` is the q-error called a misestimate,
    `own_ms` each node's own time, where it was worked out already."""
    limit = right_below(threshold)
    right = [facts.node for facts in joins if _is_right(reckoned, facts, limit)]
    if len(right) <= PRICED_WHOLE:
        return frozenset(facts.node for facts in joins)
    slow = _slow(reckoned, frozenset(facts.node for facts in joins), own_ms or own_times(reckoned))
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


def _slow(reckoned: ReckonedTree, joins: frozenset[int], own_ms: Sequence[float | None]) -> list[int]:
    """The joins that took, with their inputs down to the next join, a share of the time worth naming."""
    parent = reckoned.tree.parent
    charged = [ms or 0.0 for ms in own_ms]
    floor = _WORTH_NAMING * sum(charged)
    for number in range(len(charged) - 1, 0, -1):
        if number not in joins:
            charged[parent[number]] += charged[number]
    return [number for number in joins if charged[number] >= floor > 0.0]
