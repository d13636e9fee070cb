"""How a join that stops at the first match fares, by the planner's own reckoning."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from rowreckon.cost import SemiAntiJoinFactors, compute_semi_anti_join_factors
from rowreckon.joins.facts.inputs import JoinInput, Point


class Matching(NamedTuple):
    """What of a point decides how rows match: along a line of outer rows it stays the same, and so do a join's terms.

    `relation_rows` are the inner relation's, duplicates included; 0 where no factor depends on them. `found` is the
    part of `ratio` that concerns the pairs which a hash table finds.
    """

    ratio: float
    match_frac: float | None
    relation_rows: float
    found: float = 1.0


def stops_early(join: JoinInput) -> bool:
    """Whether the join needs one match per outer row at most: SEMI, ANTI and Inner Unique."""
    return join.kind in ("Semi", "Anti") or join.unique or join.inner_made_unique is not None


AS_ESTIMATED = Matching(1.0, None, 0.0)
"""A join that reads on, whose pairs match as often as estimated."""


def matching_of(join: JoinInput) -> Callable[[Point], Matching]:
    """How rows of this join match at a point."""
    if not stops_early(join):
        return lambda point: (
            AS_ESTIMATED if point.ratio == point.filtered == 1.0 else Matching(point.ratio, None, 0.0, point.found)
        )
    if join.turned:
        return lambda point: Matching(point.ratio, point.match_frac, point.outer, point.found)
    return lambda point: Matching(point.ratio, point.match_frac, point.inner, point.found)


def factors_of(join: JoinInput, matching: Matching) -> SemiAntiJoinFactors | None:
    """The factors for SEMI, ANTI and Inner Unique joins, None for others.

    Source: compute_semi_anti_join_factors in optimizer/path/costsize.c. For an Inner Unique join the planner answers
    with the inner join's selectivity, so that next to no outer row is taken to match.
    """
    if not stops_early(join):
        return None
    nselec = join.selectivity * matching.ratio
    made_unique = join.inner_made_unique is not None or join.outer_made_unique is not None
    reversed_semi = join.kind in ("Right Semi", "Right Anti")
    if join.kind not in ("Semi", "Anti") and not made_unique and not reversed_semi:
        return compute_semi_anti_join_factors(min(nselec, 1.0), nselec, matching.relation_rows)
    # Where the semijoin's own left side is the inner one, the planner still asks how many of its rows match.
    jselec = matching.match_frac if matching.match_frac is not None else join.match_frac
    if jselec is None:
        jselec = 1.0
        for clause in join.clauses:
            share = clause.turned_semi if reversed_semi else clause.semi
            jselec *= clause.selectivity if share is None else share
    return compute_semi_anti_join_factors(min(jselec, 1.0), nselec, matching.relation_rows)
