"""What a seeded fault and a trap are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

MISESTIMATED: Final = 10.0
"""The q-error from which on a row count counts as misestimated: the product's own threshold."""
MENDED: Final = 4.0
"""Below this q-error a cure has mended the estimate; what a fresh sample moves stays well inside."""
FEWER_PAGES: Final = 2.0
"""A change of plan counts as a cure where at least so many times fewer pages are touched."""

Measure = Literal["rows", "pages"]
STATISTICS_KINDS: Final = frozenset({"refresh_statistics", "more_statistics", "distinct_count"})
INDEX_KINDS: Final = frozenset({"new_index", "drop_index", "expression_index"})


@dataclass(frozen=True)
class Place:
    """Where in a plan an error shows: the topmost node of these aliases and no others; `grouping` for an aggregate.

    Partitions count as their table. Where a changed join order has no such node, the smallest that holds them counts.
    """

    aliases: frozenset[str]
    grouping: bool = False


def at(*aliases: str, grouping: bool = False) -> Place:
    return Place(frozenset(aliases), grouping)


@dataclass(frozen=True)
class Fault:
    """One seeded fault.

    `right` are the cause codes that the source leaves open, `code` the row of the confusion matrix. `prelude` runs in
    the session before the query at fault, in the product's list as well. `cure` is this bench's own; `cured_query`
    stands for cures that say the query differently, and is looked at in `cured_place`. `never_first` are kinds of
    remedy that must not come first, whatever cause is named.
    """

    name: str
    code: str
    source: str
    schema: str
    query: str
    place: Place
    cure: tuple[str, ...]
    others: Mapping[str, str]
    also_right: frozenset[str] = frozenset()
    never_first: frozenset[str] = field(default_factory=lambda: frozenset({"drop_index"}))
    prelude: tuple[str, ...] = ()
    measure: Measure = "rows"
    role: str | None = None
    cured_query: str | None = None
    cured_place: Place | None = None

    @property
    def right(self) -> frozenset[str]:
        return self.also_right | {self.code}


@dataclass(frozen=True)
class Trap:
    """A plan that looks faulty, where the obvious remedy is wrong.

    `never_first` are the kinds of remedy that must not come first; None: no remedy at all may be offered for this
    query. `looks_off`: the plan prints estimated and actual rows at `place` that lie at least ten times apart.
    `useless` is the obvious remedy: the test shows that it leaves what it should have mended as it was.
    """

    name: str
    source: str
    schema: str
    query: str
    place: Place
    others: Mapping[str, str]
    never_first: frozenset[str] | None = None
    looks_off: bool = True
    useless: tuple[str, ...] = ()
    prelude: tuple[str, ...] = ()
