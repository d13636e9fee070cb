"""What a stand-in is built from: definitions, sizes, statistics and settings of somebody's database, as typed values.

The document comes from a file, so nothing in it is believed: numbers and lists have bounds here, and every text that is
a definition goes through the grammar (`definitions`).  `relation` and `object` fields are OIDs of the source.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from typing import Annotated, Final, Literal, Self

from pydantic import Field, ValidationError, model_validator

from rowreckon.bounds import (
    AttNum,
    BlockSize,
    Cost,
    Counter,
    Difference,
    Height,
    Name,
    Oid,
    Pages,
    Rows,
    Text,
    Version,
    Whole,
    check_bounds,
)
from rowreckon.catalog.reviewed import SHIPPED_EXTENSIONS
from rowreckon.errors import BrokenPlan

from .beyond.foreign import ForeignFile, SourceForeign
from .figures import (
    ColumnEnds,
    EndRow,
    ExpressionFigures,
    GinCounters,
    RangeFigures,
    SourceExtended,
    SourceExtendedData,
    SourceStatistics,
    ToldHeight,
)
from .parts import Identifier, Named, Part
from .rights import SourcePolicy, SourceRights, SourceRole

SCHEMA: Final = "rowreckon.stand_in/1"
MOST_PAGES: Final = 2**33
"""Most pages of all relations together: 64 TB in pages of 8 kB, which are 65,536 files of a stand-in."""
MOST_OBJECTS: Final = 20_000
"""Most relations, indexes or constraints of one file; no source."""


CARRIED_EXTENSIONS: Final = frozenset(SHIPPED_EXTENSIONS)
"""Extensions whose types, operator classes and functions a stand-in has where its programs do."""


class SourceServer(Part):
    version: Version
    block_size: BlockSize
    segment_pages: Counter
    encoding: Name
    collate: Name | None
    ctype: Name | None
    provider: Name | None
    locale: Name | None
    extensions: Annotated[tuple[Name, ...], Field(max_length=1_000)] = ()
    extension_schemas: dict[Name, Identifier] = Field(default_factory=dict, max_length=1_000)

    @property
    def major(self) -> int:
        return self.version // 10000


class SourceRelation(Named):
    """`parents` in the order of inheritance; `page_costs` are its tablespace's, where that has its own."""

    kind: Literal["r", "p", "v", "m", "f"]
    pages: Pages
    relpages: Whole
    reltuples: Difference
    relallvisible: Whole
    options: Annotated[tuple[Text, ...], Field(max_length=100)] = ()
    row_security: bool
    own_storage: bool | None = None
    parents: Annotated[tuple[Oid, ...], Field(max_length=1_000)] = ()
    partition: bool
    bound: Text | None = None
    partition_key: Text | None = None
    view: Text | None = None
    page_costs: dict[Name, Annotated[str, Field(max_length=40)]] | None = None


class SourceColumn(Part):
    relation: Oid
    number: Annotated[int, Field(ge=1, le=1_700)]
    name: Identifier
    dropped: bool
    not_null: bool
    type: Text | None
    collation: tuple[Identifier, Identifier] | None = None
    generated: Literal["s", "v"] | None = None
    expression: Text | None = None


class SourceType(Named):
    kind: Literal["e", "d"]
    labels: Annotated[tuple[Identifier, ...], Field(max_length=10_000)] = ()
    base: Text | None = None


class SourceExtensionType(Named):
    """A type of columns that one of the carried extensions brought."""

    extension: Name


class SourceCollation(Named):
    """`collate` and `ctype` are the C library's, before 15 ICU's locale stands there."""

    provider: Literal["c", "i", "b"]
    collate: Name | None
    ctype: Name | None
    locale: Name | None = None
    deterministic: bool = True


class SourceConstraint(Part):
    oid: Oid
    relation: Oid
    name: Identifier
    type: Literal["p", "u", "c", "f"]
    index: Oid | None
    inherited: bool
    definition: Text | None


class SourceIndex(Named):
    relation: Oid
    method: Name
    definition: Text
    constraint: Oid | None
    parent: Oid | None
    usable: bool
    pages: Pages
    relpages: Whole
    reltuples: Difference
    keys: Annotated[tuple[Identifier, ...], Field(max_length=100)]
    expressions: Annotated[tuple[AttNum, ...], Field(max_length=100)] = ()
    partial: bool = False
    guessed_height: Height | None = None
    page_costs: dict[Name, Annotated[str, Field(max_length=40)]] | None = None


class SourceFunction(Named):
    """All of a function but its body, which is never taken."""

    arguments: Text
    result: Text | None
    volatility: Literal["i", "s", "v"]
    parallel: Literal["s", "r", "u"]
    strict: bool
    leakproof: bool
    cost: Cost
    rows: Rows
    set: bool
    language: Name
    support: bool = False
    extension: Name | None = None


_MANY: Final = Field(max_length=MOST_OBJECTS)


class StandInFacts(Part):
    """All that a stand-in is built from, of the relations that some plans read."""

    stand_in: Literal["rowreckon.stand_in/1"]
    with_values: bool
    schemas: Annotated[tuple[Identifier, ...], Field(max_length=1_000)]
    server: SourceServer
    settings: dict[Name, Annotated[str, Field(max_length=1_000)]] = Field(default_factory=dict, max_length=200)
    relations: Annotated[tuple[SourceRelation, ...], _MANY]
    columns: Annotated[tuple[SourceColumn, ...], Field(max_length=500_000)]
    collations: Annotated[tuple[SourceCollation, ...], Field(max_length=1_000)] = ()
    types: Annotated[tuple[SourceType, ...], _MANY] = ()
    extension_types: Annotated[tuple[SourceExtensionType, ...], _MANY] = ()
    foreign: Annotated[tuple[SourceForeign, ...], _MANY] = ()
    foreign_files: Annotated[tuple[ForeignFile, ...], _MANY] = ()
    constraints: Annotated[tuple[SourceConstraint, ...], _MANY] = ()
    indexes: Annotated[tuple[SourceIndex, ...], _MANY] = ()
    statistics: Annotated[tuple[SourceStatistics, ...], Field(max_length=500_000)] = ()
    functions: Annotated[tuple[SourceFunction, ...], _MANY] = ()
    roles: Annotated[tuple[SourceRole, ...], _MANY] = ()
    rights: Annotated[tuple[SourceRights, ...], _MANY] = ()
    policies: Annotated[tuple[SourcePolicy, ...], _MANY] = ()
    range_statistics: Annotated[tuple[RangeFigures, ...], _MANY] = ()
    gin_counters: Annotated[tuple[GinCounters, ...], _MANY] = ()
    extended: Annotated[tuple[SourceExtended, ...], _MANY] = ()
    extended_expressions: Annotated[tuple[ExpressionFigures, ...], _MANY] = ()
    extended_data: Annotated[tuple[SourceExtendedData, ...], _MANY] = ()
    heights: Annotated[tuple[ToldHeight, ...], _MANY] = ()
    ends: Annotated[tuple[ColumnEnds, ...], Field(max_length=100_000)] = ()
    end_rows: Annotated[tuple[EndRow, ...], Field(max_length=100_000)] = ()
    from_dump: bool = False
    missing: Annotated[tuple[Text, ...], Field(max_length=10_000)] = ()

    @model_validator(mode="after")
    def _bounded(self) -> Self:
        pages = sum(r.pages for r in self.relations) + sum(i.pages for i in self.indexes)
        pages += sum((file.size or 0) // self.server.block_size for file in self.foreign_files)
        if pages > MOST_PAGES:
            raise ValueError(f"its relations have {pages:,} pages together, and a stand-in takes {MOST_PAGES:,}")
        return self


_AGAIN: Final = "have the script of `rowreckon ask --stand-in` run once more"


def stand_in_facts(text: str) -> StandInFacts:
    """The facts out of the document's text. Raises BrokenPlan that names the field."""
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        raise BrokenPlan("the facts for a stand-in are no JSON document", hint=_AGAIN) from None
    if not isinstance(document, dict) or document.get("stand_in") != SCHEMA:
        raise BrokenPlan(f"the facts for a stand-in are not in the form {SCHEMA!r}", where="stand_in", hint=_AGAIN)
    check_bounds(document, "the facts for a stand-in")
    missing = document.get("missing")
    said = [each for each in missing if isinstance(each, str)] if isinstance(missing, list) else []
    for part in ("server", "relations", "columns"):
        told = [each for each in said if part in each]
        if part not in document and told:
            raise BrokenPlan(f"the facts for a stand-in lack a part: {told[0]}", where=part, hint=_AGAIN)
    try:
        return StandInFacts.model_validate(document)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        where = " > ".join(str(step) for step in first["loc"])
        raise BrokenPlan(
            f"the facts for a stand-in hold a value that does not belong: {first['msg']}", where=where, hint=_AGAIN
        ) from None


def heights_of(facts: StandInFacts) -> dict[int, int]:
    """Heights of B-trees by their OIDs, where EXPLAIN read the index that was meant, or where nobody could ask it."""
    from rowreckon.catalog.answers.indexes import height_from_startup

    names = {index.oid: index.name for index in facts.indexes}
    found = {index.oid: index.guessed_height for index in facts.indexes if index.guessed_height is not None}
    for told in facts.heights:
        height = height_from_startup(told.startup) if told.startup is not None else None
        if height is not None and told.name == names.get(told.index) and told.node in _INDEX_SCANS:
            found[told.index] = height
    return found


_INDEX_SCANS: Final = frozenset({"Index Scan", "Index Only Scan"})


def with_ranges(facts: StandInFacts) -> Iterator[SourceStatistics]:
    """The statistics of columns, with those of ranges where they came by themselves."""
    apart = {(each.relation, each.number, each.inherited): each for each in facts.range_statistics}
    for each in facts.statistics:
        more = apart.get((each.relation, each.number, each.inherited))
        yield each if more is None else each.model_copy(update=more.model_dump())


def own_functions(facts: StandInFacts) -> list[SourceFunction]:
    """The functions that are no carried extension's, which brings its own."""
    return [each for each in facts.functions if each.extension not in CARRIED_EXTENSIONS]


def types_there(facts: StandInFacts) -> set[tuple[str, str]]:
    """Schemas and names of the types that a stand-in gets, besides PostgreSQL's own."""
    brought = {(t.schema_, t.name) for t in facts.extension_types if t.extension in CARRIED_EXTENSIONS}
    return brought | {(each.schema_, each.name) for each in facts.types}


def without_extensions(facts: StandInFacts, names: Collection[str]) -> StandInFacts:
    """The facts for a stand-in that lacks these extensions: their types stand as text there."""
    left = tuple(each for each in facts.extension_types if each.extension not in names)
    return facts.model_copy(update={"extension_types": left}) if names else facts
