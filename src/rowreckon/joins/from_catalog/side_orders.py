"""The order in which a query wants a join's rows, as either side could give it by itself.

Source: get_useful_pathkeys_for_relation in optimizer/path/allpaths.c, releases 13 to 18.
"""

from __future__ import annotations

from rowreckon.joins.facts.inputs import ClauseInput
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.plan.node_texts import key_columns


def orders_of_sides(
    facts: JoinFacts, clauses: list[ClauseInput], order: tuple[str, ...]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """As much of an order as either side's own columns give; what an inner join compares for equality is the same."""
    equal = [(c.outer.text, c.inner.text) for c in clauses if c.operator == "=" and facts.kind == "Inner"]
    found: list[tuple[str, ...]] = []
    for side, other in ((0, 1), (1, 0)):
        own = {key.alias for key in ((c.outer, c.inner)[side] for c in clauses)}
        same = {pair[other]: pair[side] for pair in equal}
        keys = [same.get(key, key) for key in order]
        wanted = next(
            (n for n, key in enumerate(keys) if any(column.table not in own for column in key_columns(key))), len(keys)
        )
        found.append(tuple(keys[:wanted]))
    return found[0], found[1]
