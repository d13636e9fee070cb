"""How the rows of a relation below a join's side move as the side's own rows do.

Right estimates would give the planner each relation's own rows: what a join is priced by at the actual rows are those
that came of the relation, where they were counted. In between both move together, by powers.
"""

from __future__ import annotations

from math import log

from rowreckon.joins.facts.inputs import SideInput

_STILL = 0.01


def moved_with(side: SideInput, rows: float, estimated: float, actual: float | None) -> float:
    """The factor on a relation's estimated rows once its side has `rows` rows; 1 where nothing tells.

    One relation alone is its side. Otherwise the factor is actual / estimated where the side has its actual rows, 1
    at its estimate. Beyond either a relation that moved further than its side, or against it, stays where it was.
    """
    if side.rows <= 0.0:
        return 1.0
    share = rows / side.rows
    if side.single:
        return share
    grown = side.actual_ratio
    if actual is None or actual <= 0.0 or estimated <= 0.0 or grown is None or grown <= 0.0:
        return 1.0
    whole = log(grown)
    if abs(whole) < _STILL or share <= 0.0:
        return 1.0
    exponent = log(actual / estimated) / whole
    way = log(share) / whole
    if not 0.0 <= exponent <= 1.0:
        way = min(max(way, 0.0), 1.0)
    return float((actual / estimated) ** way)
