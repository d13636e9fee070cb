"""The plan's picture, told from the audit: which lines, where they hang, what stands on them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rowreckon.document.audit import Join, Node, Plan
from rowreckon.report.drawings.plan_picture import Error, FoldLine, NodeLine, PlanPicture, Rails, RowStrip
from rowreckon.report.drawings.ruler import decade
from rowreckon.report.story.node_details import node_details
from rowreckon.report.story.plan_choice import MISESTIMATED, entering, fold_words, safe_error, shown_nodes
from rowreckon.report.words.borders import deciding_border, next_border
from rowreckon.report.words.numbers import number, times
from rowreckon.report.words.picture_words import border_mark, full_name, reads_words
from rowreckon.report.words.sentences import expected_came, in_each, per_process

_FOLDED_LINES = 400
_UNCOUNTED = ("not_run", "not_counted")


def plan_picture(plan: Plan, *, whole: bool = False, unfolded: int = 0) -> PlanPicture:
    """The picture of a plan; `whole` shows each node on a line of its own, `unfolded` says how many of the folded ones
    are worded all the same, for formats that unfold."""
    return _Telling(plan).picture(shown_nodes(plan, whole=whole), unfolded)


class _Telling:
    """One plan with what is looked up of it again and again."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.enters = entering(plan)
        self.joins = {join.node: join for join in plan.joins}
        self.above = {join.outer.node: join for join in plan.joins}

    def picture(self, kept: set[int], unfolded: int) -> PlanPicture:
        runs = _runs(self.plan.nodes, kept)
        rails = _rails([(run[0].path, run[0].id in kept) for run in runs])
        lines: list[NodeLine | FoldLine] = []
        for run, hangs in zip(runs, rails, strict=True):
            if run[0].id in kept:
                lines.append(self.line(run[0], hangs))
                continue
            worded = run[: max(0, unfolded)]
            unfolded -= len(worded)
            flat = Rails((), last=True, opens=False)
            lines.append(
                FoldLine(hangs, fold_words(run), tuple(n.id for n in run), tuple(self.line(n, flat) for n in worded))
            )
        own = [line for line in lines if isinstance(line, NodeLine)]
        highest = max(
            (at for line in own for at in (line.rows.expected, line.rows.came) if at is not None), default=0.0
        )
        longest = max((line.ms or 0.0 for line in own), default=0.0)
        return PlanPicture(max(2, math.ceil(highest)), longest, tuple(lines))

    def line(self, node: Node, rails: Rails) -> NodeLine:
        join = self.joins.get(node.id)
        return NodeLine(
            node=node.id,
            rails=rails,
            name=full_name(node),
            reads=reads_words(node),
            rows=self._strip(node),
            ms=node.own_ms,
            verdict=join.verdict if join is not None else "",
            border=border_mark(join) if join is not None else "",
            enters=self._enters(node),
            details=node_details(node, analyzed=self.plan.analyzed),
        )

    def _strip(self, node: Node) -> RowStrip:
        expected = node.estimated_rows if node.estimated_rows is not None else node.estimated_rows_per_loop
        came = node.actual_rows if self.plan.analyzed and node.count not in _UNCOUNTED else None
        return RowStrip(
            expected=None if expected is None else decade(expected),
            came=None if came is None else decade(came),
            error=_error(node) if came is not None else "",
            more=node.count == "at_least",
            switches=_switch(self.above[node.id]) if node.id in self.above else (),
            said=expected_came(node, analyzed=self.plan.analyzed),
        )

    def _enters(self, node: Node) -> str:
        if node.id not in self.enters:
            return ""
        expected, came = per_process(node.estimated_rows, node), per_process(node.actual_rows, node)
        factor = self.enters[node.id]
        said = f"error enters here, {_at_least(factor, expected, came)}" if factor > 1 else "error enters here"
        if expected is not None and came is not None:
            said += f": {number(expected)} expected, {number(came)} came{in_each(node)}"
        return said


def _at_least(factor: float, expected: float | None, came: float | None) -> str:
    """The factor; where rounded rows leave room for a smaller one than the two numbers beside it give, as a bound."""
    low, high = sorted((expected or 0.0, came or 0.0))
    less = low > 0 and factor < high / low and times(factor) != times(high / low)
    return f"{'at least ' if less else ''}{times(factor)}"


def _error(node: Node) -> Error:
    if safe_error(node) < MISESTIMATED or node.direction not in ("under", "over"):
        return ""
    return "under" if node.direction == "under" else "over"


def _switch(join: Join) -> tuple[float, ...]:
    border = deciding_border(join) or next_border(join)
    return (decade(border.rows),) if border is not None and border.side == "outer" and border.placed else ()


def _runs(nodes: Sequence[Node], kept: set[int]) -> list[list[Node]]:
    """Each kept node alone, those between together; a single one between is no run to fold, and is kept."""
    runs: list[list[Node]] = []
    hidden: list[Node] = []
    for node in nodes:
        if node.id not in kept:
            hidden.append(node)
            continue
        if hidden:
            runs.append(hidden)
            hidden = []
        runs.append([node])
    if hidden:
        runs.append(hidden)
    for run in runs:
        if len(run) == 1:
            kept.add(run[0].id)
    return runs


def _rails(heads: Sequence[tuple[tuple[int, ...], bool]]) -> list[Rails]:
    """Where each line hangs: below the nearest line above it that is an ancestor; folded lines carry nothing."""
    depths: list[int] = []
    open_paths: list[tuple[int, ...]] = []
    for path, carries in heads:
        while open_paths and path[: len(open_paths[-1])] != open_paths[-1]:
            open_paths.pop()
        depths.append(len(open_paths))
        if carries:
            open_paths.append(path)
    found: list[Rails] = []
    goes_on: list[bool] = []  # per level: whether a line of that level still follows, seen from below
    below = -1
    for depth in reversed(depths):
        del goes_on[depth + 1 :]
        goes_on += [False] * (depth + 1 - len(goes_on))
        found.append(
            Rails(tuple(goes_on[1:depth]) + ((not goes_on[depth],) if depth else ()), not goes_on[depth], below > depth)
        )
        goes_on[depth] = True
        below = depth
    return found[::-1]
