"""From the first line of a plan in TEXT format to documents."""

from __future__ import annotations

from typing import Any

from rowreckon.errors import InputTooLarge
from rowreckon.reading.explain_text.block import gather
from rowreckon.reading.explain_text.complete import complete
from rowreckon.reading.explain_text.tree import LostShape, grow, relate
from rowreckon.reading.limits import Limits
from rowreckon.reading.lines import Lines
from rowreckon.reading.raw import RawPlan, Rejected

_CUT_TOP = "the top of the plan was cut off: this is a part of it"


def read_text_plan(lines: Lines, start: int, limits: Limits) -> tuple[list[RawPlan | Rejected], int]:
    """The plan that begins with line `start` of `lines`, and the index of the first line behind it.

    There are several where the top was cut off and parts were left. Raises InputTooLarge over the limits.
    """
    block = gather(lines.lines, lines.numbers, start, limits)
    end = max(block.end, start + 1)
    try:
        grown = grow(block)
    except LostShape as fault:
        return [Rejected(fault.reason, f"line {fault.number}")], end
    found: list[RawPlan | Rejected] = []
    whole = len(grown.roots) == 1 and not block.lines[0].arrow
    for root in grown.roots:
        where = f"line {root.number}"
        _check_depth(root.node, limits, where)
        try:
            relate(root.node, root.number)
        except LostShape as fault:
            found.append(Rejected(fault.reason, f"line {fault.number}"))
            continue
        document = {"Plan": root.node, **(grown.document if len(grown.roots) == 1 else {})}
        lacking = complete(root.node, document)
        notes = (*block.notes, *(() if whole else (_CUT_TOP,)), *lacking)
        found.append(RawPlan(document, "text", where, notes=notes))
    return found, end


def _check_depth(root: dict[str, Any], limits: Limits, where: str) -> None:
    level, depth = [root], 0
    while level:
        depth += 1
        if depth > limits.max_depth:
            raise InputTooLarge(
                f"the plan is nested more than {limits.max_depth} levels deep",
                where=where,
                hint="raise the limit on plan levels if this is a real plan",
            )
        level = [child for node in level for child in node.get("Plans", ())]
