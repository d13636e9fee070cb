"""Facts of an index, as far as they enter a cost or decide what a plan may do with it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from rowreckon.bounds import AttNum, AttNums, Cost, Counter, Height, Name, Oid, Pages, Rows, Text

from .columns import ColumnStatistics
from .parts import Fact

HeightSource = Literal["pageinspect", "explain"]


class IndexKey(Fact):
    """One key column: an attnum of the table, or an expression with the statistics kept for it under the index."""

    attnum: AttNum | None = None
    expression: Text | None = None
    descending: bool = False
    nulls_first: bool = False
    default_opclass: bool = True
    """Whether its operator class is the type's default, without which plain =, < and ORDER BY do not match it."""
    collation: Name | None = None
    """Set only where it differs from the column's own collation."""
    statistics: ColumnStatistics | None = None


class Index(Fact):
    """An index. `pages` is the file's size now, `relpages` and `reltuples` what the last VACUUM or ANALYZE wrote.

    `height` is the level of a B-tree's fast root, as the cost of a descent counts it; `height_known_by` says
    whether pageinspect told it or it was solved from a printed startup cost; both None where neither could.
    """

    oid: Oid
    schema_: Name = Field(alias="schema")
    name: Name
    access_method: Name
    unique: bool = False
    primary: bool = False
    valid: bool = True
    immediate: bool = True
    check_xmin: bool = False
    """pg_index.indcheckxmin: transactions with an older snapshot must not use it."""
    keys: Annotated[tuple[IndexKey, ...], Field(max_length=1_700)]
    included: AttNums = ()
    predicate: Text | None = None
    pages: Pages | None = None
    relpages: Pages = 0
    reltuples: Rows | None = None
    height: Height | None = None
    height_known_by: HeightSource | None = None
    seq_page_cost: Cost | None = None
    random_page_cost: Cost | None = None
    can_order: bool = True
    """Whether the access method returns rows in key order (B-tree)."""
    idx_scan: Counter | None = None
    idx_tup_read: Counter | None = None
    definition: Text
    clustered: bool = False
    """Whether CLUSTER orders the table by it (pg_index.indisclustered)."""
    constraint: Name | None = None
    """The constraint that owns it, which DROP INDEX then refuses to break."""

    @property
    def n_key_columns(self) -> int:
        """Number of key columns, without the included ones."""
        return len(self.keys)

    @property
    def partial(self) -> bool:
        """Whether it covers only the rows that its predicate names."""
        return self.predicate is not None
