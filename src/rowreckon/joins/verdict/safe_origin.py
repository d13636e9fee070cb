"""How far the error at an origin would have to shrink for a crossed join to be safe.

Errors multiply on their way up: with everything else as it was, the outer rows are proportional to the factor by which
one estimate below is wrong.
"""

from __future__ import annotations

from rowreckon.counts.origin import Entering
from rowreckon.document.audit import SafeOrigin
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.verdict.points import Points
from rowreckon.joins.verdict.switch_points import OuterLine


def safe_origins(
    line: OuterLine, points: Points, facts: JoinFacts, origins: tuple[Entering, ...], outer_span: range
) -> tuple[SafeOrigin, ...]:
    """For each origin its factor and the factor at which the executed method leads again, None where no repair of that
    origin alone is enough."""
    there = points.actual
    if there is None:
        return ()
    chain = line.borders
    grew = there.outer > points.estimate.outer
    safe_rows: float | None = None
    if grew:
        passed = [b.rows - 1.0 for b in chain if b.rows <= there.outer and b.below == facts.method]
        safe_rows = max(passed) if passed else None
    else:
        passed = [b.rows for b in chain if b.rows > there.outer and b.above == facts.method]
        safe_rows = min(passed) if passed else None
    found: list[SafeOrigin] = []
    for origin in origins:
        safe: float | None = None
        helps = origin.direction == ("under" if grew else "over")
        if safe_rows is not None and origin.node in outer_span and helps:
            share = there.outer / safe_rows if grew else safe_rows / there.outer
            safe = origin.factor / share if origin.factor >= share else None
        found.append(SafeOrigin(node=origin.node, q_error_here=origin.factor, safe_q_error=safe))
    return tuple(found)
