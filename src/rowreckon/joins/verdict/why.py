"""A few plain sentences that say what the verdict rests on, numbers included.

'Cheaper' is said of costs only; nothing here was timed.
"""

from __future__ import annotations

from rowreckon.document.audit import Join, JoinSide, SwitchPoint
from rowreckon.document.base import METHOD_NAMES
from rowreckon.plural import agreeing, noun


def sentence(join: Join, threshold: float, reason: str) -> str:
    """What is said of a join whose figures are complete; `reason` is why it is undecided, or not priced."""
    return " ".join(
        f"{part[:1].upper()}{part[1:]}." for part in (_rows(join), *_found(join, threshold, reason)) if part
    )


def _found(join: Join, threshold: float, reason: str) -> tuple[str, ...]:
    """The verdict and its border, a sentence each, without capitals and full stops."""
    if join.verdict == "undecided":
        return (f"undecided: {reason}",)
    if join.verdict == "accurate":
        return (reason or f"all within a factor of {threshold:g}, and the {METHOD_NAMES[join.method]} stays cheapest",)
    if join.verdict == "held":
        limit = _next(join)
        beyond = f" (up to {noun(_number(limit.outer_rows), 'outer row')})" if limit and limit.outer_rows else ""
        return (f"misestimated, but the {METHOD_NAMES[join.method]} is still the cheapest method{beyond}",)
    best = join.best_at_actual or join.method
    border = _crossed_border(join)
    mine = METHOD_NAMES[join.method]
    times = f"the {mine} costs {_times(join.loss_factor)} the {METHOD_NAMES[best]} at the actual rows"
    if border is not None and border.outer_rows is not None:
        grew = (join.outer.actual_rows or 0) >= (join.outer.estimated_rows or 0)
        word = "from" if grew else "below"
        on = " on" if grew else ""
        return (f"{word} {_number(border.outer_rows)}{on} a {METHOD_NAMES[best]} is cheaper", times)
    return (times,)


def _rows(join: Join) -> str:
    expected, came = join.outer.estimated_rows, join.outer.actual_rows
    if expected is None or came is None:
        return ""
    processes = join.outer.in_each_of or 1
    text = f"expected {noun(_number(expected / processes), 'outer row')}, got {_came(join.outer)}"
    inner, inner_came = join.inner.estimated_rows, join.inner.actual_rows
    if inner is None or inner_came is None or join.inner.count == "reread":
        return text
    # A side that was cut short proves nothing by having too few rows.
    short = join.inner.count == "at_least" and inner_came <= inner
    if not short and max(inner, inner_came) >= 2 * max(min(inner, inner_came), 1):
        wanted = _number(inner / (join.inner.in_each_of or 1))
        text += f", and {_came(join.inner, ' inner row')} where {wanted} {agreeing(wanted, 'was', 'were')} expected"
    return text


def _came(side: JoinSide, named: str = "") -> str:
    """The rows of a side, those of one process where each delivered them whole."""
    rows = _number((side.actual_rows or 0.0) / (side.in_each_of or 1))
    rows += agreeing(rows, named) if named else ""
    each = f" in each of {side.in_each_of} processes" if side.in_each_of else ""
    return f"{'at least ' if side.count == 'at_least' else ''}{rows}{each}"


def _crossed_border(join: Join) -> SwitchPoint | None:
    """The border that lies between the estimate and the actual, next to the actual."""
    expected, came = join.outer.estimated_rows, join.outer.actual_rows
    if expected is None or came is None:
        return None
    low, high = min(expected, came), max(expected, came)
    for at in ("actual", "estimate"):
        passed = [
            p
            for p in join.switch_points
            if p.along == "outer" and p.inner_at == at and p.outer_rows is not None and low < p.outer_rows <= high
        ]
        passed.sort(key=lambda p: p.outer_rows or 0.0)
        if passed:
            wanted = [p for p in passed if join.best_at_actual == (p.to if came >= expected else p.from_)]
            return (wanted[-1] if came >= expected else wanted[0]) if wanted else None
    return None


def _next(join: Join) -> SwitchPoint | None:
    came = join.outer.actual_rows or 0.0
    at = "actual" if any(p.inner_at == "actual" for p in join.switch_points) else "estimate"
    above = [
        p
        for p in join.switch_points
        if p.along == "outer" and p.inner_at == at and p.from_ == join.method and (p.outer_rows or 0) > came
    ]
    return min(above, key=lambda p: p.outer_rows or 0.0) if above else None


def _number(rows: float) -> str:
    return f"{rows:,.0f}" if rows >= 10 or rows == round(rows) else f"{rows:.1f}"


def _times(factor: float | None) -> str:
    if factor is None:
        return "more than"
    if factor < 10:
        return f"{factor:.1f} times" if factor >= 1.1 else f"{factor:.2f} times"
    return f"{factor:,.0f} times"
