"""The plan's picture for the templates: each line with its rails, its strip of rows and its bar of time."""

from __future__ import annotations

from markupsafe import Markup

from rowreckon.document.audit import Plan
from rowreckon.frozen import frozen
from rowreckon.report.drawings.plan_picture import FoldLine, NodeLine, PlanPicture, Rails
from rowreckon.report.drawings.plan_svg import bar_svg, scale_svg, strip_svg
from rowreckon.report.story.plan_story import plan_picture
from rowreckon.report.words.numbers import milliseconds

_UNFOLDED = 400  # folded nodes that are worded, for a plan
_MOST_RAILS = 24
_LEAST_MS = 0.005  # below, a time reads as nothing


@frozen
class DrawnLine:
    """A node's line, or (`fold` not None) one for several folded nodes; `rails` are classes from the root inwards."""

    rails: tuple[str, ...]
    line: NodeLine | None = None
    strip: Markup = Markup("")
    bar: Markup = Markup("")
    time: str = ""
    fold: FoldLine | None = None
    folded: tuple[DrawnLine, ...] = ()


@frozen
class DrawnPicture:
    """The picture's scale and lines; `marks` names which marks occur, for the legend."""

    scale: Markup
    lines: tuple[DrawnLine, ...]
    marks: frozenset[str]
    timed: bool


def drawn_picture(plan: Plan) -> DrawnPicture | None:
    """The plan drawn; None where it has no node."""
    if not plan.nodes:
        return None
    picture = plan_picture(plan, unfolded=_UNFOLDED)
    lines = tuple(_drawn(picture, line) for line in picture.lines)
    nodes = [line for line in picture.lines if isinstance(line, NodeLine)]
    marks: set[str] = {line.rows.error for line in nodes if line.rows.error}
    if any(picture.switches(line.rows) for line in nodes):
        marks.add("switch")
    if any(line.rows.came is not None for line in nodes):
        marks.add("came")
    return DrawnPicture(scale_svg(picture), lines, frozenset(marks), any(line.ms is not None for line in nodes))


def _drawn(picture: PlanPicture, line: NodeLine | FoldLine) -> DrawnLine:
    return _fold(picture, line) if isinstance(line, FoldLine) else _node(picture, line)


def _node(picture: PlanPicture, line: NodeLine) -> DrawnLine:
    timed = line.ms is not None and line.ms >= _LEAST_MS
    return DrawnLine(
        rails=_rails(line.rails),
        line=line,
        strip=strip_svg(picture, line),
        bar=bar_svg(picture, line) if timed else Markup(""),
        time=milliseconds(line.ms) if timed else "",
    )


def _fold(picture: PlanPicture, line: FoldLine) -> DrawnLine:
    return DrawnLine(_rails(line.rails), fold=line, folded=tuple(_node(picture, node) for node in line.lines))


def _rails(rails: Rails) -> tuple[str, ...]:
    """Per level: a rail that goes on, none, and last the corner or branch that the line itself hangs on."""
    if not rails.above:
        return ()
    passed = ["go" if goes else "no" for goes in rails.above[:-1]][-_MOST_RAILS:]
    return (*passed, "end" if rails.last else "branch")
