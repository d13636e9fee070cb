"""What is said at the ruler of the first screen, so that the rows that were off are seen there whichever it shows."""

from __future__ import annotations

from dataclasses import replace

from rowreckon.document.audit import Join, JoinSide, Node, Plan
from rowreckon.report.drawings.ruler import Ruler
from rowreckon.report.words.join_words import rows_factor
from rowreckon.report.words.numbers import capitalised, number
from rowreckon.report.words.sentences import came, in_each, per_process
from rowreckon.report.words.ticket_words import output_off, side_told

_OFF = 2.0  # the factor from which on rows are told as off
_AS_EXPECTED = 1.05


def off_the_ruler(join: Join, plan: Plan, drawn: tuple[Ruler, ...]) -> str:
    """`Inner rows: expected 840, came 6`: the rows that were off where no ruler shows them; else empty."""
    own = output_off(join, plan)
    if own is not None:
        return f"Rows out of the join: {_expected_came(own)}"
    side, name = side_told(join)
    if rows_factor(side) < _OFF or any(ruler.side == name for ruler in drawn):
        return ""
    return f"{capitalised(name)} rows: {_expected_came(side)}"


def _expected_came(rows: JoinSide | Node) -> str:
    actual = per_process(rows.actual_rows, rows)
    return f"expected {number(per_process(rows.estimated_rows, rows))}, {came(actual, rows.count)}{in_each(rows)}"


def titled(ruler: Ruler, join: Join) -> Ruler:
    """The ruler with a title that says so where its rows came as expected."""
    side = join.outer if ruler.side == "outer" else join.inner
    known = side.count == "exact" and None not in (side.estimated_rows, side.actual_rows)
    start = f"{capitalised(ruler.side)} rows"
    if not known or rows_factor(side) > _AS_EXPECTED or not ruler.title.startswith(start):
        return ruler
    rest = ruler.title.removeprefix(start)
    return replace(ruler, title=f"{start} as expected{rest}" if rest else f"{start}: as expected")
