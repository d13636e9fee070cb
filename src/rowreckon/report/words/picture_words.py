"""The few words that stand on a line of the plan's picture."""

from __future__ import annotations

import re

from rowreckon.document.audit import Join, Node
from rowreckon.report.words.borders import deciding_border, next_border
from rowreckon.report.words.escape import quote
from rowreckon.report.words.join_words import border_figure
from rowreckon.report.words.sentences import method_name

_NAME = re.compile(r"[A-Za-z]{1,20}( [A-Za-z]{1,20}){0,5}")


def full_name(node: Node) -> str:
    """`Finalize GroupAggregate`, as EXPLAIN's text form has it; set apart where it is no name of PostgreSQL's."""
    name = node.name or node.node_type
    return name if _NAME.fullmatch(name) else quote(name, 60)


def reads_words(node: Node) -> str:
    """` on bookings b, SubPlan 2`: what stands behind the name; empty where the node reads nothing by itself."""
    text = ""
    if node.relation:
        name = f"{node.schema_}.{node.relation}" if node.schema_ and node.schema_ != "public" else node.relation
        text = f" on {quote(name, 120)}"
        if node.alias and node.alias != node.relation:
            text += f" {quote(node.alias, 80)}"
    elif node.alias:
        text = f" on {quote(node.alias, 80)}"
    elif node.index:
        text = f" on {quote(node.index, 80)}"
    return f"{text}, {quote(node.subplan_name, 80)}" if node.subplan_name else text


def border_mark(join: Join) -> str:
    """`hash join from 370 outer rows`: the border that was crossed, else the nearest one; empty where none is known."""
    crossed = deciding_border(join)
    border = crossed or next_border(join)
    if border is None:
        return ""
    rows = border_figure(border)
    winner = join.best_at_actual if crossed is not None else None
    other = winner or (border.above if border.below == join.method else border.below)
    way = "from" if other == border.above else "below"
    return f"{method_name(other)} {way} {rows} {border.side} rows"
