"""Which relation of a FROM clause a column's name belongs to, by the names alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rowreckon.frozen import frozen
from rowreckon.sql.tree import strings


@frozen
class ColumnOfQuery:
    """A column of a relation, by the relation's alias in the query."""

    alias: str
    name: str


@frozen
class Scope:
    """The aliases of one FROM clause, with the columns of each; None where its columns are not known."""

    columns: Mapping[str, frozenset[str] | None]

    def holds(self, reference: Any) -> bool:
        """Whether a ColumnRef means a column of this clause, as far as it can be told; else it is an outer query's."""
        parts = strings(reference.fields)
        if len(parts) > 1:
            return parts[-2] in self.columns
        return any(names is None or parts[0] in names for names in self.columns.values()) if parts else False

    def found(self, reference: Any) -> ColumnOfQuery | None:
        """The column that a ColumnRef names; None for a star, for an outer query's, and where it is not clear."""
        parts = strings(reference.fields)
        if len(parts) != len(reference.fields) or not parts:
            return None
        if len(parts) > 1:
            return ColumnOfQuery(parts[-2], parts[-1]) if parts[-2] in self.columns else None
        owners = [alias for alias, names in self.columns.items() if names is not None and parts[0] in names]
        unknown = [alias for alias, names in self.columns.items() if names is None]
        if len(owners) == 1:
            return ColumnOfQuery(owners[0], parts[0])
        return ColumnOfQuery(unknown[0], parts[0]) if not owners and len(unknown) == 1 else None
