"""Following a type: a domain's checks, a row's columns, an array's elements, a range's bounds, its own functions."""

from __future__ import annotations

from typing import Any

from rowreckon.server.judging.node_trees import FIRST_OWN
from rowreckon.server.judging.reaching import Reaching


def follow_type(closure: Reaching, oid: int, facts: dict[str, Any], mode: str, through: str | None) -> None:
    """Follow what making, printing or comparing its values may execute.

    A value that is only read from a column (mode `column`) is not checked anew; all others may be made from a constant,
    and so may the parts of arrays, rows and ranges, since a constant beside them takes on the column's type.
    """
    if oid < FIRST_OWN:
        return
    label = f"the type {facts['schema']}.{facts['name']}"
    is_domain = facts["kind"] == "d"
    for function in (*facts["functions"], *(facts["range"] or ())):
        # what PostgreSQL itself does for arrays, rows, ranges and domains is followed here, part by part
        if function >= FIRST_OWN:
            closure.reach("function", function, label)
    closure.reach("type", facts["base"], through, mode)
    for part in (facts["element"], *(facts["within"] or ())):
        closure.reach("type", part, through, "made")
    if is_domain and mode == "made":
        for check in facts["checks"] or ():
            closure.reach_tree(check, label)
    if is_domain and closure.writing:
        closure.reach_tree(facts["default"], label)
    if facts["relation"]:
        closure.reach("relation", facts["relation"], through, "row")
