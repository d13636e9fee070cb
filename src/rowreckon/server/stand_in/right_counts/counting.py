"""Counts of joins that a plan with right counts has and the executed one had not: taken on the source itself.

The caller counts, within limits of its own, on a server that it is connected to; here it is said what.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rowreckon.plan.printed import Printed, printed_nodes
from rowreckon.stand_in.permitted import NotPermitted
from rowreckon.stand_in.right_counts.executed import Counted
from rowreckon.stand_in.right_counts.part_queries import pairs_between, part_query
from rowreckon.stand_in.right_counts.shapes import METHODS, below, inputs

from .fitting import Query

Count = Callable[[str], float | None]
"""How many rows a query gives on the source; None where it was not counted to its end."""


def counted_on_source(query: Query, plan: Printed, known: Sequence[Counted], count: Count) -> list[Counted]:
    """The joins of a plan whose rows nobody has counted yet, as far as they are counted now, from below.

    Their nodes are negative: they are none of the executed plan's.
    """
    there = {each.aliases for each in known if each.kind == "join"}
    found: dict[frozenset[str], Counted] = {}
    for node in printed_nodes(plan):
        sides = inputs(node)
        aliases = below(node, query.known)
        if node["Node Type"] not in METHODS or len(sides) != 2 or aliases in there or aliases in found:
            continue
        rows = _rows(query, aliases, count)
        if rows is not None:
            outer, inner = (below(side, query.known) for side in sides)
            part = query.of(aliases)
            pairs = pairs_between(part.level, outer, inner) if part is not None else ()
            number = -len(known) - len(found) - 1
            found[aliases] = Counted(number, "join", aliases, rows, outer=outer, inner=inner, pairs=pairs)
    return sorted(found.values(), key=lambda each: len(each.aliases))


def _rows(query: Query, aliases: frozenset[str], count: Count) -> float | None:
    part = query.of(aliases)
    if part is None:
        return None
    try:
        return count(part_query(query.tree, part))
    except NotPermitted:
        return None
