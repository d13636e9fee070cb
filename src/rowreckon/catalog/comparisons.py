"""A clause between two scans as a comparison: each side with the alias of its scan, as the plan spells it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rowreckon.plan.conditions import Clause, ColumnReference

from .request import COMPARISONS, quoted


@dataclass(frozen=True, slots=True)
class Comparison:
    """A comparison of two scans' columns as the plan spells it, each side with its alias."""

    left_alias: str
    left: str
    right_alias: str
    right: str
    operator: str

    def turned(self) -> Comparison:
        """The same comparison with its sides changed over."""
        mirror = {"<": ">", "<=": ">=", ">": "<", ">=": "<="}
        operator = mirror.get(self.operator, self.operator)
        return Comparison(self.right_alias, self.right, self.left_alias, self.left, operator)


def comparison_of(clause: Clause, own_alias: str | None) -> Comparison | None:
    """The clause with its sides, where each side belongs to one scan and the operator compares."""
    left, right = (tables_of(side, own_alias) for side in (clause.left_columns, clause.right_columns))
    if clause.operator not in COMPARISONS or len(left) != 1 or len(right) != 1 or left == right:
        return None
    (left_alias,), (right_alias,) = left, right
    left_text = _qualified(clause.left_text, clause.left_column, clause.left_columns, left_alias)
    right_text = _qualified(clause.right_text, clause.right_column, clause.right_columns, right_alias)
    if left_text is None or right_text is None:
        return None
    return Comparison(left_alias, left_text, right_alias, right_text, clause.operator)


def tables_of(columns: Sequence[ColumnReference], own_alias: str | None) -> set[str]:
    """Aliases of the references; a scan's own columns stand without one unless EXPLAIN was VERBOSE."""
    return {alias for c in columns if (alias := c.table or own_alias) is not None}


def _qualified(text: str, column: ColumnReference | None, columns: Sequence[ColumnReference], alias: str) -> str | None:
    """A side's text with its columns under their alias; None where an expression names them without one."""
    if not text:
        return None
    if all(c.table for c in columns):
        return text
    if column is None:
        return None
    for spelling in (column.column, quoted(column.column)):
        if text == spelling:
            return quoted(alias, column.column)
        if text.startswith(f"({spelling})::"):
            return f"({quoted(alias, column.column)}){text[len(spelling) + 2 :]}"
    return None
