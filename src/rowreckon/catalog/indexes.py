"""Facts of an index, as far as they enter a cost or decide what a plan may do with it."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from .columns import ColumnStatistics
from .parts import Fact

HeightSource = Literal["pageinspect", "explain"]


class IndexKey(Fact):
    """One key column: an attnum of the table, or an expression with the statistics kept for it under the index."""

    attnum: int | None = None
    expression: str | None = None
    descending: bool = False
    nulls_first: bool = False
    default_opclass: bool = True
    """Whether its operator class is the type's default, without which plain =, < and ORDER BY do not match it."""
    collation: str | None = None
    """Set only where it differs from the column's own collation."""
    statistics: ColumnStatistics | None = None


class Index(Fact):
    """An index. `pages` is the file's size now, `relpages` and `reltuples` what the last VACUUM or ANALYZE wrote.

    `height` is the level of a B-tree's fast root, as the cost of a descent counts it; `height_known_by` says
    whether pageinspect told it or it was solved from a printed startup cost; both None where neither could.
    """

    oid: int
    schema_: str = Field(alias="schema")
    name: str
    access_method: str
    unique: bool = False
    primary: bool = False
    valid: bool = True
    immediate: bool = True
    check_xmin: bool = False
    """pg_index.indcheckxmin: transactions with an older snapshot must not use it."""
    keys: tuple[IndexKey, ...]
    included: tuple[int, ...] = ()
    predicate: str | None = None
    pages: int | None = None
    relpages: int = 0
    reltuples: float | None = None
    height: int | None = None
    height_known_by: HeightSource | None = None
    seq_page_cost: float | None = None
    random_page_cost: float | None = None
    can_order: bool = True
    """Whether the access method returns rows in key order (B-tree)."""
    idx_scan: int | None = None
    idx_tup_read: int | None = None
    definition: str
    constraint: str | None = None
    """The constraint that owns it, which DROP INDEX then refuses to break."""

    @property
    def n_key_columns(self) -> int:
        """Number of key columns, without the included ones."""
        return len(self.keys)

    @property
    def partial(self) -> bool:
        """Whether it covers only the rows that its predicate names."""
        return self.predicate is not None
