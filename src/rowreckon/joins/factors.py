"""How a join that stops at the first match fares, by the planner's own reckoning."""

from __future__ import annotations

from rowreckon.cost import SemiAntiJoinFactors, compute_semi_anti_join_factors

from .inputs import JoinInput, Point


def factors_at(join: JoinInput, point: Point) -> SemiAntiJoinFactors | None:
    """The factors for SEMI, ANTI and Inner Unique joins, None for others.

    Source: compute_semi_anti_join_factors in optimizer/path/costsize.c. For an Inner Unique join the planner answers
    with the inner join's selectivity, so that next to no outer row is taken to match.
    """
    stops = join.kind in ("Semi", "Anti") or join.inner_made_unique is not None
    if not stops and not join.unique:
        return None
    inner_rows = point.outer if join.turned else point.inner  # of the relation, duplicates included
    nselec = join.selectivity * point.ratio
    if not stops:
        return compute_semi_anti_join_factors(min(nselec, 1.0), nselec, inner_rows)
    jselec = point.match_frac if point.match_frac is not None else join.match_frac
    if jselec is None:
        jselec = 1.0
        for clause in join.clauses:
            jselec *= clause.selectivity if clause.semi is None else clause.semi
    return compute_semi_anti_join_factors(min(jselec, 1.0), nselec, inner_rows)
