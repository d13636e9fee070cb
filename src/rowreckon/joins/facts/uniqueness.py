"""Whether an index proves that an outer row matches one inner row at most.

Source: relation_has_unique_index_for in optimizer/path/indxpath.c, releases 13 to 18.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.joins.facts.inputs import ClauseInput

if TYPE_CHECKING:
    from rowreckon.joins.facts.known_relation import KnownRelation


def proves_unique(relation: KnownRelation | None, clauses: tuple[ClauseInput, ...]) -> bool:
    """Whether a unique index of the inner relation is pinned by equalities (relation_has_unique_index_for)."""
    if relation is None:
        return False
    pinned = {c.inner.column for c in clauses if c.operator == "=" and c.can_merge}
    for restriction in relation.restrictions:
        clause = restriction.clause
        if clause.operator == "=" and clause.is_plain_column:
            column = clause.left_column or clause.right_column
            pinned.add(column.column if column is not None else None)
    return any(index.unique and None not in index.keys and set(index.keys) <= pinned for index in relation.indexes)
