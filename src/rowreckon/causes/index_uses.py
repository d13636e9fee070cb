"""What an index is there for besides the queries at hand: whatever of it the catalog shows forbids to advise a drop."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rowreckon.catalog.facts import ForeignKey, Index, Relation


def guards_rows(index: Index) -> bool:
    """Whether it enforces something: a key, a unique index, an exclusion constraint.

    An index that is a replica identity is unique as well (PostgreSQL documentation, ALTER TABLE, REPLICA IDENTITY).
    """
    return index.primary or index.unique or index.constraint is not None


def other_use(index: Index, relation: Relation) -> str | None:
    """What else the index serves, as the end of 'It serves …'; None where the catalog shows nothing.

    Every delete in a referenced table, and every change of its key, looks the referencing rows up (PostgreSQL
    documentation, "Foreign Keys").
    """
    for key in relation.foreign_keys:
        if _begins_with(index, key.columns) and not _served_by_another(index, relation, key):
            names = [c.name for n in key.columns if (c := relation.column(n)) is not None]
            return f"the foreign key on {', '.join(names)} of {relation.qualified_name}"
    return "CLUSTER, which orders the table by it" if index.clustered else None


def _served_by_another(index: Index, relation: Relation, key: ForeignKey) -> bool:
    return any(
        other.oid != index.oid
        and other.valid
        and not other.partial
        and other.access_method == "btree"
        and _begins_with(other, key.columns)
        for other in relation.indexes
    )


def _begins_with(index: Index, columns: Iterable[int]) -> bool:
    """Whether the index finds rows by these columns: its first keys are they, in whatever order."""
    wanted = set(columns)
    return {k.attnum for k in index.keys[: len(wanted)]} == wanted
