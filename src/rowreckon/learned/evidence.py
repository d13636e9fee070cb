"""What one node of one plan tells of a relation's size."""

from __future__ import annotations

from typing import NamedTuple

from rowreckon.learned.facts import ANY, Bounds, RelationName, Source


class CostLine(NamedTuple):
    """A printed cost that pages and rows share: `per_page` × pages + `per_row` × rows lies between `low` and `high`.

    All in planner cost.
    """

    per_page: float
    per_row: float
    low: float
    high: float

    def pages(self, rows: Bounds) -> Bounds:
        """The pages that so many rows leave."""
        least = (self.low - self.per_row * rows.high) / self.per_page
        return Bounds(max(least, 0.0), (self.high - self.per_row * rows.low) / self.per_page)

    def rows(self, pages: Bounds) -> Bounds:
        """The rows that so many pages leave."""
        if self.per_row <= 0.0:
            return ANY
        least = (self.low - self.per_page * pages.high) / self.per_row
        return Bounds(max(least, 0.0), (self.high - self.per_page * pages.low) / self.per_row)


class SizeClue(NamedTuple):
    """What a node tells of the size of a relation: bounds, and the line that ties them together, where it has one."""

    pages: Bounds = ANY
    rows: Bounds = ANY
    line: CostLine | None = None


class SizeEvidence(NamedTuple):
    """A clue to the size of a relation, and where it is from."""

    relation: RelationName
    source: Source
    clue: SizeClue
