"""The schema as it stands while files are read: tables, indexes and what else statements make, change and drop.

These values change with each statement; `result.py` turns them into frozen facts when all files are read.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from google.protobuf.message import Message

    from rowreckon.catalog.facts import Persistence, RelationKind

Name = tuple[str, str]
"""A schema and a name in it."""


MOST_TABLES: Final = 100_000
MOST_COLUMNS: Final = 300_000
MOST_INDEXES: Final = 100_000
MOST_INDEXES_OF_A_TABLE: Final = 200
MOST_KEYS_OF_A_TABLE: Final = 200
MOST_REFERRING: Final = 1_000
DEEPEST: Final = 100
MOST_CHANGES_OF_HEIRS: Final = 5_000_000
"""Bounds on what short statements can have made, such as an index for each partition (common practice, no source)."""


class CannotApply(Exception):
    """A statement that the files so far leave without meaning; the text is a clause without a place."""


@dataclass(slots=True, eq=False)
class Uses:
    """The columns that expressions take, by the names that they have now; the trees keep the names as written."""

    written: dict[str, str] = field(default_factory=dict)
    """By the name of now, the name in the trees."""

    def rename(self, before: str, after: str) -> None:
        """A column has another name now."""
        if before in self.written:
            self.written[after] = self.written.pop(before)

    def now(self) -> dict[str, str]:
        """By the name in the trees, the name of now, where the two differ."""
        return {written: now for now, written in self.written.items() if written != now}


@dataclass(slots=True)
class Key:
    """One key of an index: a column, or the tree of an expression."""

    column: str | None
    tree: Message | None = None
    descending: bool = False
    nulls_first: bool = False
    opclass: str | None = None
    collation: str | None = None


@dataclass(slots=True, eq=False)
class Index:
    """An index and the constraint that owns it; `parent` is the partitioned table's, of which it is a part.

    `uses` are the columns that its expressions and its predicate take, `calls` the functions, without their schemas.
    `shapes` are its expressions and its predicate in a form that compares, `parts` how many partitions have theirs.
    """

    schema: str
    name: str
    method: str
    keys: list[Key]
    included: list[str] = field(default_factory=list)
    unique: bool = False
    primary: bool = False
    exclusion: bool = False
    immediate: bool = True
    valid: bool = True
    nulls_not_distinct: bool = False
    predicate: Message | None = None
    constraint: str | None = None
    parent: Index | None = None
    uses: Uses = field(default_factory=Uses)
    calls: frozenset[str] = frozenset()
    shapes: tuple[bytes, ...] = ()
    parts: int = 0
    options: dict[str, str] = field(default_factory=dict)
    place: str = ""
    relpages: int | None = None
    reltuples: float | None = None


@dataclass(slots=True)
class Column:
    """A column of a table."""

    name: str
    type: str
    not_null: bool = False
    not_null_name: str | None = None
    statistics_target: int | None = None
    options: dict[str, str] | None = None
    statistics: dict[bool, dict[str, str]] | None = None
    """What a statistics dump tells: of the table alone, and with its children."""


@dataclass(slots=True)
class ForeignKey:
    """A foreign key; `referenced_columns` are None for the other table's primary key."""

    name: str
    columns: list[str]
    referenced: Name
    referenced_columns: list[str] | None
    validated: bool = True


@dataclass(slots=True, eq=False)
class StatisticsObject:
    """A statistics object; `table` is where it belongs, `uses` the columns that its expressions take."""

    schema: str
    name: str
    table: Table
    kinds: list[str]
    columns: list[str]
    trees: list[Message]
    uses: Uses
    target: int | None = None


@dataclass(slots=True, eq=False)
class Table:
    """A relation; one that no file makes is here too once something of it is told, and is not `whole`."""

    schema: str
    name: str
    kind: RelationKind = "table"
    persistence: Persistence = "permanent"
    whole: bool = False
    columns_whole: bool = False
    columns: dict[str, Column] = field(default_factory=dict)
    indexes: dict[str, Index] = field(default_factory=dict)
    statistics: dict[Name, StatisticsObject] = field(default_factory=dict)
    foreign_keys: dict[str, ForeignKey] = field(default_factory=dict)
    parents: list[Table] = field(default_factory=list)
    children: dict[int, Table] = field(default_factory=dict)
    budget: Budget = field(default_factory=lambda: Budget())
    is_partition: bool = False
    partition_strategy: Literal["list", "range", "hash"] | None = None
    partition_columns: list[str | None] = field(default_factory=list)
    options: dict[str, str] = field(default_factory=dict)
    row_security: bool = False
    place: str = ""
    relpages: int | None = None
    reltuples: float | None = None
    relallvisible: int | None = None

    def heirs(self) -> list[Table]:
        """The partitions or heirs, to which a change of this table goes on. Raises CannotApply beyond the budget."""
        self.budget.spend(len(self.children))
        return list(self.children.values())


@dataclass(slots=True)
class Budget:
    """How many changes may yet go on from a table to its heirs: short statements over many heirs add up."""

    left: int = MOST_CHANGES_OF_HEIRS

    def spend(self, changes: int) -> None:
        """Raises CannotApply where it is used up."""
        self.left -= changes
        if self.left < 0:
            raise CannotApply("too many tables hang on one another")


@dataclass(slots=True)
class Function:
    """A function with the types of its input arguments."""

    schema: str
    name: str
    arguments: str
    language: str | None = None
    returns_set: bool = False
    options: dict[str, str] = field(default_factory=dict)
    support: str | None = None
