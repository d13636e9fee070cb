"""What files declare of relations: whatever SQL can say of them, and sizes only where a statistics dump tells them.

A fact that no file tells stays None. `whole` says that the files hold a relation's own CREATE, and nothing unread that
could have changed its indexes: only then does an index's absence say anything.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from rowreckon.bounds import Cost, Distinct, FillFactor, Name, Pages, Rows, Text, Whole
from rowreckon.catalog.columns import ColumnStatistics
from rowreckon.catalog.facts import Persistence, RelationKind
from rowreckon.catalog.parts import Fact, Volatility


class DeclaredColumn(Fact):
    """A column; `type` as format_type prints it. `statistics_target` and the overrides are None where none is set."""

    name: Name
    type: Name
    not_null: bool = False
    statistics_target: Whole | None = None
    n_distinct_override: Distinct | None = None
    n_distinct_inherited_override: Distinct | None = None
    statistics: tuple[ColumnStatistics, ...] = ()


class DeclaredKey(Fact):
    """One key of an index: a column or an expression, and what the file says of its order, class and collation."""

    column: Name | None = None
    expression: Text | None = None
    descending: bool = False
    nulls_first: bool = False
    opclass: Name | None = None
    collation: Name | None = None


class DeclaredIndex(Fact):
    """An index, or the index of a constraint. `immediate` is False for a deferrable constraint, which proves nothing.

    `valid` is False where the index of a partitioned table lacks that of a partition. `seen_in` is a plan that reads
    the index, which so was there; None where none at hand does.
    """

    schema_: Name = Field(alias="schema")
    name: Name
    access_method: Name
    unique: bool = False
    primary: bool = False
    exclusion: bool = False
    immediate: bool = True
    valid: bool = True
    nulls_not_distinct: bool = False
    keys: Annotated[tuple[DeclaredKey, ...], Field(max_length=1_700)]
    included: Annotated[tuple[Name, ...], Field(max_length=1_700)] = ()
    predicate: Text | None = None
    uses: Annotated[tuple[Name, ...], Field(max_length=1_700)] = ()
    """The columns that its expressions and its predicate take."""
    constraint: Name | None = None
    fillfactor: FillFactor | None = None
    relpages: Pages | None = None
    reltuples: Rows | None = None
    seen_in: Name | None = None
    place: Name = ""

    @property
    def columns(self) -> frozenset[str]:
        """The columns that it finds rows by, those in its expressions too."""
        return frozenset((*(k.column for k in self.keys if k.column is not None), *self.uses))


class DeclaredStatistics(Fact):
    """A statistics object; `kinds` are ndistinct, dependencies, mcv and, where there are any, expressions."""

    schema_: Name = Field(alias="schema")
    name: Name
    kinds: tuple[Name, ...]
    columns: tuple[Name, ...] = ()
    expressions: tuple[Text, ...] = ()
    statistics_target: Whole | None = None


class DeclaredForeignKey(Fact):
    """A foreign key; `referenced_columns` are empty where it names the other table's primary key and that is unread."""

    name: Name
    columns: tuple[Name, ...]
    referenced_schema: Name
    referenced_name: Name
    referenced_columns: tuple[Name, ...] = ()
    validated: bool = True


class DeclaredRelation(Fact):
    """A relation as the files leave it.

    `whole`: its indexes are those listed and no others. `columns_whole`: so are its columns. `pages`, `reltuples` and
    `relallvisible` are a statistics dump's. `place` is where it was made, as `file, line n`.
    """

    schema_: Name = Field(alias="schema")
    name: Name
    kind: RelationKind
    persistence: Persistence = "permanent"
    whole: bool = False
    columns_whole: bool = False
    columns: Annotated[tuple[DeclaredColumn, ...], Field(max_length=1_700)] = ()
    indexes: tuple[DeclaredIndex, ...] = ()
    statistics_objects: tuple[DeclaredStatistics, ...] = ()
    foreign_keys: tuple[DeclaredForeignKey, ...] = ()
    parents: tuple[Name, ...] = ()
    """The tables that it inherits from, or the one that it is a partition of, as schema.name."""
    is_partition: bool = False
    children: tuple[Name, ...] = ()
    partition_strategy: Literal["list", "range", "hash"] | None = None
    partition_columns: tuple[Name | None, ...] = ()
    """The key of a partitioned table, None for an expression."""
    fillfactor: FillFactor | None = None
    parallel_workers: Whole | None = None
    autovacuum_enabled: bool | None = None
    row_security: bool = False
    relpages: Pages | None = None
    reltuples: Rows | None = None
    relallvisible: Pages | None = None
    place: Name = ""

    @property
    def qualified_name(self) -> str:
        """schema.name as plain text, for messages; not quoted for SQL."""
        return f"{self.schema_}.{self.name}"

    def column(self, name: str) -> DeclaredColumn | None:
        """The column with this name."""
        return next((c for c in self.columns if c.name == name), None)

    def index(self, name: str) -> DeclaredIndex | None:
        """The index with this name."""
        return next((i for i in self.indexes if i.name == name), None)


class DeclaredFunction(Fact):
    """A function. `arguments` are the types of its input arguments; `cost` and `rows` None where the file sets none."""

    schema_: Name = Field(alias="schema")
    name: Name
    arguments: Text
    language: Name | None = None
    returns_set: bool = False
    cost: Cost | None = None
    rows: Rows | None = None
    volatility: Volatility = "volatile"
    parallel: Name = "unsafe"
    support: Name | None = None


class Declared(Fact):
    """Everything that the files declare, in the order of names; `files` are those that were read, as given."""

    files: tuple[Name, ...] = ()
    relations: tuple[DeclaredRelation, ...] = ()
    functions: tuple[DeclaredFunction, ...] = ()

    def relation(self, name: str, schema: str | None = None) -> DeclaredRelation | None:
        """A relation by the name that a plan gives it; None where none or several have it."""
        found = [r for r in self.relations if r.name == name and schema in (None, r.schema_)]
        return found[0] if len(found) == 1 else None
