"""The catalog snapshot: everything that the planner reckoned with for the relations of some plans, as one frozen value.

A plan and its Catalog are a complete, replayable input: nothing downstream asks a database.
`model_dump(mode="json")` and `Catalog.model_validate` are inverse; the capture file stores exactly that.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from rowreckon.bounds import (
    AttNums,
    BlockSize,
    Cost,
    Counter,
    FillFactor,
    Name,
    Oid,
    Pages,
    Rows,
    Text,
    Version,
    Whole,
)

from .columns import Column, ColumnStatistics, Dependency, ExpressionStatistics, ExtendedStatistics, NDistinctGroup
from .estimates import (
    ClauseSide,
    Conjunct,
    JoinClauseFacts,
    JoinPairEstimate,
    MergeScanFractions,
    RelationEstimate,
    ScanPath,
)
from .indexes import Index, IndexKey
from .parts import Fact, FunctionFacts, MissingFact, OperatorFacts, Setting, Tablespace

__all__ = [
    "Catalog",
    "ClauseSide",
    "Column",
    "ColumnStatistics",
    "Conjunct",
    "Dependency",
    "ExpressionStatistics",
    "ExtendedStatistics",
    "Fact",
    "ForeignKey",
    "FunctionFacts",
    "Index",
    "IndexKey",
    "JoinClauseFacts",
    "JoinPairEstimate",
    "MergeScanFractions",
    "MissingFact",
    "NDistinctGroup",
    "OperatorFacts",
    "PlanName",
    "Relation",
    "RelationEstimate",
    "ScanPath",
    "Setting",
    "Tablespace",
    "UniqueKey",
]

RelationKind = Literal[
    "table", "partitioned_table", "view", "materialized_view", "foreign_table", "toast_table", "sequence", "composite"
]
Persistence = Literal["permanent", "unlogged", "temporary"]


class ForeignKey(Fact):
    """A foreign key constraint: attnums of this relation and, in the same order, of the referenced one."""

    name: Name
    relation: Oid
    columns: AttNums
    referenced: Oid
    referenced_columns: AttNums
    validated: bool = True


class UniqueKey(Fact):
    """A primary key or unique constraint. A deferrable one proves no uniqueness to the planner."""

    name: Name
    primary: bool
    columns: AttNums
    deferrable: bool = False


class Relation(Fact):
    """A relation. `pages` is the size of the main fork now (pages), the `rel…` what VACUUM or ANALYZE last wrote.

    `reltuples` is None where never counted (-1 from 14 on; 0 with 0 pages on 13). The counters (`n_live_tup` …
    `last_autovacuum`) are None where the server keeps none: a fresh copy, a standby, a reset.
    """

    oid: Oid
    schema_: Name = Field(alias="schema")
    name: Name
    kind: RelationKind
    persistence: Persistence = "permanent"
    owner: Name | None = None
    pages: Pages | None = None
    relpages: Pages = 0
    reltuples: Rows | None = None
    relallvisible: Pages = 0
    has_children: bool = False
    is_partition: bool = False
    parent: Oid | None = None
    children: tuple[Oid, ...] = ()
    """Direct children or partitions (oids), as far as their number was within the reader's limit."""
    partition_key: Text | None = None
    partition_bound: Text | None = None
    fillfactor: FillFactor | None = None
    parallel_workers: Whole | None = None
    autovacuum_enabled: bool | None = None
    seq_page_cost: Cost | None = None
    random_page_cost: Cost | None = None
    n_live_tup: Counter | None = None
    n_dead_tup: Counter | None = None
    n_mod_since_analyze: Counter | None = None
    last_analyze: datetime | None = None
    last_autoanalyze: datetime | None = None
    last_vacuum: datetime | None = None
    last_autovacuum: datetime | None = None
    analyze_count: Counter | None = None
    columns: Annotated[tuple[Column, ...], Field(max_length=1_700)] = ()
    indexes: tuple[Index, ...] = ()
    extended_statistics: tuple[ExtendedStatistics, ...] = ()
    foreign_keys: tuple[ForeignKey, ...] = ()
    unique_keys: tuple[UniqueKey, ...] = ()
    row_security: bool = False
    """Whether row security is switched on for the table."""
    row_security_active: bool = False
    """Whether it restricts this role, which then sees no statistics of it in pg_stats."""
    selectable: bool = True
    """Whether the role may SELECT from the whole relation."""
    statistics_readable: bool = True
    """False where rights or row security hide pg_stats rows of it, so that their absence proves nothing."""
    analyzable: bool | None = None
    """Whether the role may ANALYZE it (owner, superuser, or MAINTAIN from 17)."""
    definition: Text | None = None
    """A view's query."""

    @property
    def qualified_name(self) -> str:
        """schema.name as plain text, for messages; not quoted for SQL."""
        return f"{self.schema_}.{self.name}"

    def column(self, key: int | str) -> Column | None:
        """The column with this attnum or name."""
        return next((c for c in self.columns if key in (c.attnum, c.name)), None)

    def index(self, name: str) -> Index | None:
        """The index with this name."""
        return next((i for i in self.indexes if i.name == name), None)


class PlanName(Fact):
    """How a plan's name was resolved; `oid` is None, with `why`, where it names nothing or several things."""

    schema_: Name | None = Field(default=None, alias="schema")
    name: Name
    oid: Oid | None = None
    why: Text | None = None


class Catalog(Fact):
    """The snapshot. `server_version` is server_version_num, such as 180006; `settings` as this session sees them."""

    server_version: Version
    block_size: BlockSize = 8192
    database: Name | None = None
    role: Name | None = None
    search_path: Text | None = None
    in_recovery: bool = False
    read_at: datetime | None = None
    stats_reset: datetime | None = None
    settings: tuple[Setting, ...] = ()
    tablespaces: tuple[Tablespace, ...] = ()
    names: tuple[PlanName, ...] = ()
    relations: tuple[Relation, ...] = ()
    functions: tuple[FunctionFacts, ...] = ()
    operators: tuple[OperatorFacts, ...] = ()
    join_clauses: tuple[JoinClauseFacts, ...] = ()
    relation_estimates: tuple[RelationEstimate, ...] = ()
    join_pairs: tuple[JoinPairEstimate, ...] = ()
    missing: tuple[MissingFact, ...] = ()

    def setting(self, name: str) -> bool | float | str | None:
        """A setting's value in its own unit (work_mem in kB, effective_cache_size in 8 kB pages), None if not read."""
        return next((s.value for s in self.settings if s.name == name), None)

    def relation(self, name: str | int, schema: str | None = None) -> Relation | None:
        """A relation by oid, or by the name a plan gives it, with the plan's schema where it prints one."""
        if isinstance(name, int):
            return next((r for r in self.relations if r.oid == name), None)
        for resolved in self.names:
            if resolved.name == name and resolved.schema_ == schema:
                return None if resolved.oid is None else self.relation(resolved.oid)
        found = [r for r in self.relations if r.name == name and schema in (None, r.schema_)]
        return found[0] if len(found) == 1 else None

    def index(self, name: str, relation: int | None = None) -> tuple[Relation, Index] | None:
        """An index by name with its relation; None if two relations at hand have one of that name."""
        found = [(r, i) for r in self.relations if relation in (None, r.oid) for i in r.indexes if i.name == name]
        return found[0] if len(found) == 1 else None

    def estimate(self, alias: str, relation: int | None = None) -> RelationEstimate | None:
        """The planner's answer for the relation under this alias."""
        return next((e for e in self.relation_estimates if e.alias == alias and relation in (None, e.relation)), None)
