"""A source's statistics, and what was looked up in its indexes, as typed values of a stand-in's facts."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from rowreckon.bounds import AttNum, Cost, Counter, Difference, Freqs, Name, Oid, Pages, Rows, Share, Text, Width

from .parts import Named, Part, Values


class Figures(Part):
    """A row of statistics as pg_stats shows it."""

    number: AttNum
    inherited: bool
    null_frac: Share
    width: Width
    distinct: Difference
    common: Values | None = None
    common_freqs: Freqs | None = None
    bounds: Values | None = None
    correlation: Difference | None = None
    elements: Values | None = None
    element_freqs: Annotated[tuple[Difference, ...], Field(max_length=10_010)] | None = None
    element_counts: Annotated[tuple[Rows, ...], Field(max_length=10_010)] | None = None
    ranges: Values | None = None
    empty_ranges: Share | None = None
    range_lengths: Values | None = None


class SourceStatistics(Figures):
    """Of a column: `relation` is a table's OID, or that of an index for its expressions."""

    relation: Oid


class RangeFigures(Part):
    """What before 17 pg_statistic alone holds of a column of ranges: their bounds and lengths, as 17's pg_stats."""

    relation: Oid
    number: AttNum
    inherited: bool
    ranges: Values | None = None
    empty_ranges: Share | None = None
    range_lengths: Values | None = None


class GinCounters(Part):
    """What a GIN index counted when it was built or vacuumed last, and the pages that wait in its pending list."""

    index: Oid
    pending_pages: Pages
    total_pages: Pages
    entry_pages: Pages
    data_pages: Pages
    entries: Counter


class ExpressionFigures(Figures):
    """Of the n-th expression of a statistics object."""

    object: Oid


class SourceExtended(Named):
    relation: Oid
    definition: Text


class SourceExtendedData(Part):
    object: Oid
    inherited: bool
    distinct: Text | None = None
    dependencies: Text | None = None
    common: Annotated[tuple[tuple[Text | None, ...], ...], Field(max_length=10_000)] | None = None
    freqs: Freqs | None = None
    base_freqs: Freqs | None = None


class ToldHeight(Part):
    """What EXPLAIN said of reading an index whole; the height follows from the start-up cost."""

    index: Oid
    name: Name | None
    node: Name | None
    startup: Cost | None


class ColumnEnds(Part):
    relation: Oid
    number: AttNum
    low: Text
    high: Text


class EndRow(Part):
    """Values of some columns of one row, at an end of an expression that leads a B-tree."""

    relation: Oid
    numbers: Annotated[tuple[AttNum, ...], Field(max_length=100)]
    values: Annotated[tuple[Text | None, ...], Field(max_length=100)]
