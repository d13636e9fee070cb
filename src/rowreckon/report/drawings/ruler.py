"""The row ruler's geometry: a logarithmic line of rows, the stretches on which each join method is cheapest, and ticks.

Pure data; positions are decades (log10 of rows, rows below one counting as one). `ruler_text` and `ruler_svg` draw it.
A stretch is drawn only where the document's switch points and costs agree with its verdict.  Where they do not, or no
switch point is known, a ruler shows what the verdict itself rests on: who leads where the planner stood and where the
rows came, all else open.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

from rowreckon.document.audit import Join, JoinSide
from rowreckon.frozen import frozen
from rowreckon.report.words.borders import (
    Border,
    Side,
    borders,
    cheapest_at,
    in_line,
    inner_border_set,
    inner_differs,
    outer_differs,
    verdict_border,
)
from rowreckon.report.words.escape import bare
from rowreckon.report.words.join_words import with_rows
from rowreckon.report.words.numbers import count_of, listed, number
from rowreckon.report.words.sentences import came, method_name

_FUZZ = 1.01  # the planner keeps what it has until another path is 1% cheaper
_NEAR = 2.0  # decades beyond the estimate and the actual within which borders are drawn
_ALIKE = 1.05
_LEAST_ISLAND = 0.02
_ISLAND = 0.12  # decades to both sides of a point at which a leader is known
_BORDERS = ("switch", "span")
FAR_OFF = "too far off to be drawn"
"""How a note on borders beyond the line begins."""


@frozen
class Stretch:
    """Decades `start` to `end` on which `method` is cheapest; None where the evidence leaves the border open."""

    start: float
    end: float
    method: str | None

    @property
    def label(self) -> str:
        """What stands on the stretch."""
        return bare(method_name(self.method)) if self.method else "open"


@frozen
class Tick:
    """A mark on the line: the estimate, the actual count, a switch point; without a mark: the span where one lies."""

    kind: Literal["estimate", "actual", "switch", "span"]
    rows: float
    at: float
    label: str


@frozen
class Ruler:
    """One ruler; `low` and `high` are whole decades; `note` says what is not drawn and why."""

    side: Side
    title: str
    low: int
    high: int
    stretches: tuple[Stretch, ...]
    ticks: tuple[Tick, ...]
    note: str = ""

    def fraction(self, decade: float) -> float:
        """Where a decade lies on the line, from 0 to 1."""
        return min(1.0, max(0.0, (decade - self.low) / (self.high - self.low)))

    @property
    def methods(self) -> tuple[str, ...]:
        """The methods on the stretches, in order of appearance."""
        return tuple(dict.fromkeys(s.method for s in self.stretches if s.method))


def decade(rows: float) -> float:
    """log10 of rows; rows below one count as one."""
    return math.log10(rows) if rows > 1 and math.isfinite(rows) else 0.0


def rulers(join: Join, span: tuple[int, int] | None = None) -> tuple[Ruler, ...]:
    """The rulers of a join: along the outer rows with the inner side as expected; again, and along the inner rows,
    where the inner side's actual rows differ, that moves a border, and the document knows borders there. Empty without
    any row count. With `span` each reaches over at least these decades, so that several stand on one scale."""
    differs = inner_differs(join)
    found: list[Ruler] = []
    if _ticks(join.outer, []):
        first = borders(join, "outer", "estimate") or _by_verdict(join, "outer")
        second = borders(join, "outer", "actual")
        if differs and first and _alike(first, second):
            first, differs = second, False
        inner = f", with {count_of(join.inner.estimated_rows, 'inner row')} as expected" if differs else ""
        found.append(_ruler(join, "outer", f"Outer rows{inner}", first, span, decides=not differs))
        if differs:
            title = f"Outer rows, {with_rows(join.inner, 'inner')}"
            found.append(_ruler(join, "outer", title, second, span, decides=True))
    if len(found) == 2 and not found[1].methods:
        # A line on which nothing is known would only repeat the marks of the other.
        found = [found[0] if found[0].methods else replace(found[1], title="Outer rows")]
    along_inner = inner_border_set(join) or _by_verdict(join, "inner")
    if along_inner and join.inner.estimated_rows is not None:
        at = f", {with_rows(join.outer, 'outer')}" if join.outer.actual_rows is not None else ""
        found.append(_ruler(join, "inner", f"Inner rows{at}", along_inner, span, decides=True))
    return tuple(found)


def _by_verdict(join: Join, side: Side) -> list[Border]:
    """What the verdict alone says of the border along a side, where the document names none."""
    border = None if join.switch_points else verdict_border(join)
    return [border] if border is not None and border.side == side else []


def deciding(drawn: tuple[Ruler, ...]) -> tuple[Ruler, ...]:
    """The one ruler to show where there is room for one: the last on which a method is known, where the verdict is."""
    return tuple([ruler for ruler in drawn if ruler.methods] or drawn)[-1:]


def _alike(first: list[Border], second: list[Border]) -> bool:
    """Whether two rulers would show the same picture."""
    if [(b.below, b.above) for b in first] != [(b.below, b.above) for b in second]:
        return False
    return all(max(a.rows, b.rows) <= min(a.rows, b.rows) * _ALIKE for a, b in zip(first, second, strict=True))


def _near(rows: JoinSide, chain: list[Border]) -> list[Border]:
    """The borders worth drawing: those not far beyond all that was expected and came, else the nearest one."""
    known = [decade(n) for n in (rows.estimated_rows, rows.actual_rows) if n is not None]
    if not known or not chain:
        return chain
    low, high = min(known), max(known)
    away = [max(low - decade(b.rows), decade(b.rows) - high, 0.0) for b in chain]
    return [b for b, far in zip(chain, away, strict=True) if far <= max(_NEAR, min(away))]


def _ruler(
    join: Join, side: Side, title: str, chain: list[Border], span: tuple[int, int] | None, *, decides: bool
) -> Ruler:
    rows = join.outer if side == "outer" else join.inner
    near = _near(rows, chain)
    ticks = _ticks(rows, near)
    low, high = _span([t.at for t in ticks] + [decade(b.low) for b in near] + [decade(b.high) for b in near])
    if span is not None:
        low, high = min(low, span[0]), max(high, span[1])
    note = _objection(join, side, rows, chain, decides=decides)
    stretches: tuple[Stretch, ...] = ()
    if not note:
        stretches = _stretches(chain, low, high) if chain else _one_stretch(join, low, high, decides=decides)
    if not stretches:
        stretches = _islands(join, side, low, high, decides=decides)
    shown = tuple(t for t in ticks if not note or t.kind not in _BORDERS)
    if not note and len(near) < len(chain):
        far = [tick.label for tick in _ticks(rows, [b for b in chain if b not in near]) if tick.kind in _BORDERS]
        note = f"{FAR_OFF}: {listed(far, 12)}"
    return Ruler(side, title, low, high, stretches, shown, note)


def _ticks(side: JoinSide, chain: list[Border]) -> list[Tick]:
    ticks = [
        Tick("switch" if b.placed else "span", b.rows, decade(b.rows), f"{bare(method_name(b.above))} from {_where(b)}")
        for b in chain
    ]
    if side.estimated_rows is not None:
        ticks.append(
            Tick(
                "estimate", side.estimated_rows, decade(side.estimated_rows), f"expected {number(side.estimated_rows)}"
            )
        )
    if side.actual_rows is not None and side.count not in ("not_run", "not_counted"):
        label = {
            "at_least": f"at least {number(side.actual_rows)} came",
            "probed": f"counted {number(side.actual_rows)}",
            "reread": f"{number(side.actual_rows)} read, some again",
        }.get(side.count) or came(side.actual_rows, side.count)
        ticks.append(Tick("actual", side.actual_rows, decade(side.actual_rows), label))
    return sorted(ticks, key=lambda t: (t.at, ("estimate", "switch", "span", "actual").index(t.kind)))


def _where(border: Border) -> str:
    """A border's figure for a tick, short."""
    if border.placed:
        return number(border.rows)
    return f"somewhere between {number(border.low)} and {number(border.high)}"


def _span(points: list[float]) -> tuple[int, int]:
    low = max(0, math.floor(min(points) - 0.15))
    high = math.ceil(max(points) + 0.15)
    return low, max(high, low + 2)


def _stretches(chain: list[Border], low: int, high: int) -> tuple[Stretch, ...]:
    found: list[Stretch] = []
    start = float(low)
    for border in chain:
        left, right = (border.low, border.high) if border.is_wide else (border.rows, border.rows)
        found.append(Stretch(start, max(start, decade(left)), border.below))
        if border.is_wide:
            found.append(Stretch(decade(left), decade(right), None))
        start = max(start, decade(right))
    found.append(Stretch(start, max(start, float(high)), chain[-1].above))
    within = (Stretch(max(s.start, float(low)), min(s.end, float(high)), s.method) for s in found)
    return tuple(s for s in within if s.end > s.start)


def _one_stretch(join: Join, low: int, high: int, *, decides: bool) -> tuple[Stretch, ...]:
    """Without borders one method leads all along; claimed only where the document has looked for borders."""
    if set(join.costs) == {join.method} and join.verdict in ("held", "accurate") and join.best_at_actual == join.method:
        return (Stretch(float(low), float(high), join.method),)  # no other method is permitted
    if join.verdict == "undecided" or not join.costs or (join.margin is None and not join.switch_points):
        return ()
    at_estimate = {m: c.at_estimate for m, c in join.costs.items() if c.at_estimate is not None}
    if decides and join.outer.actual_rows is not None:
        leader: str | None = join.best_at_actual
    else:
        leader = min(sorted(at_estimate), key=lambda m: at_estimate[m]) if at_estimate else None
    if leader is None:
        return ()
    if decides and not inner_differs(join) and join.verdict == "crossed":
        # Crossed along this very line, yet no border is known: two leaders cannot share one stretch.
        return ()
    return (Stretch(float(low), float(high), leader),)


def _objection(join: Join, side: Side, rows: JoinSide, chain: list[Border], *, decides: bool) -> str:
    """Why the stretches must not be drawn, or nothing."""
    if not chain:
        return ""
    if not in_line(chain):
        return "the switch points do not join up, so only what the verdict rests on is drawn"
    came_at = cheapest_at(chain, rows.actual_rows) if rows.actual_rows is not None else None
    expected_at = cheapest_at(chain, rows.estimated_rows) if rows.estimated_rows is not None else None
    if join.verdict == "undecided":
        if decides and came_at is not None and rows.actual_rows is not None:
            return "undecided: the evidence does not tell which method is cheapest at the rows that came"
        return ""
    disagrees = "the switch points do not fit the costs, so only what the verdict rests on is drawn"
    planner_stood_here = side == "outer" and not (decides and inner_differs(join))
    if planner_stood_here and join.verdict == "crossed" and expected_at not in (None, join.method):
        # A crossed join's executed method led where the planner stood.
        return disagrees
    if decides and came_at is not None and join.best_at_actual is not None and came_at != join.best_at_actual:
        return "" if _as_good(join, came_at) else disagrees
    if decides and join.verdict == "crossed" and came_at == join.method:
        return disagrees
    return ""


def _as_good(join: Join, method: str) -> bool:
    """Whether the planner would not tell `method` from the best one at the actual rows."""
    costs = {m: c.at_actual for m, c in join.costs.items()}
    best = costs.get(join.best_at_actual) if join.best_at_actual else None
    other = next((c for m, c in costs.items() if m == method), None)
    return best is not None and other is not None and other <= best * _FUZZ


def _islands(join: Join, side: Side, low: int, high: int, *, decides: bool) -> tuple[Stretch, ...]:
    """Where no border is known: who leads at the expected rows and at those that came, as the planner's choice and the
    verdict tell; all between and beyond is open."""
    rows = join.outer if side == "outer" else join.inner
    stood_here = not (decides and inner_differs(join)) if side == "outer" else not outer_differs(join)
    expected = None if rows.estimated_rows is None else decade(rows.estimated_rows)
    arrived = None if rows.actual_rows is None else decade(rows.actual_rows)
    best = join.best_at_actual if decides and join.verdict != "undecided" else None
    reach = _ISLAND
    apart = best != join.method and (best is not None or join.verdict != "accurate")
    if expected is not None and arrived is not None and apart:
        reach = min(_ISLAND, abs(expected - arrived) / 2.0)  # neither may reach over to where the other is known
    spans = []
    if stood_here and expected is not None and reach > _LEAST_ISLAND:
        spans.append(Stretch(max(float(low), expected - reach), min(float(high), expected + reach), join.method))
    if best is not None and arrived is not None:
        reach = max(reach, _LEAST_ISLAND)
        spans.append(Stretch(max(float(low), arrived - reach), min(float(high), arrived + reach), best))
    spans.sort(key=lambda span: span.start)
    if len(spans) == 2 and spans[0].method == spans[1].method:
        spans = [Stretch(spans[0].start, max(span.end for span in spans), join.method)]
    return tuple(s for s in _with_open_between(spans, low, high) if s.end > s.start)


def _with_open_between(spans: list[Stretch], low: int, high: int) -> list[Stretch]:
    found: list[Stretch] = []
    start = float(low)
    for span in spans:
        found += [Stretch(start, span.start, None), span]
        start = span.end
    return [*found, Stretch(start, float(high), None)]
