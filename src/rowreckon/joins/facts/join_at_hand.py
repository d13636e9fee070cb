"""One join with all that is known of its plan: what each step that reads evidence off the plan is given."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import field
from typing import TYPE_CHECKING

from rowreckon.cost import CostSettings
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.joins.facts.declared_indexes import DeclaredIndexes
from rowreckon.joins.facts.sides import JoinFacts, Side

if TYPE_CHECKING:
    from rowreckon.declared.facts import DeclaredIndex


@frozen
class JoinAtHand:
    """The planner's settings, the plan with its counts, and the facts of the join that is looked at.

    `declared` is what schema files say of the indexes, None where there are no such files. `unled` are scans whose
    join columns lead no index, as other plans prove, with the least number of times that a search goes down another.
    `fewest_keys` tells of scans how many different values the join's column has at least among so many of their rows.
    """

    settings: CostSettings
    reckoned: ReckonedTree
    facts: JoinFacts
    declared: DeclaredIndexes | None = None
    unled: Mapping[int, float] = field(default_factory=dict)
    fewest_keys: Mapping[int, Callable[[float], float]] = field(default_factory=dict)

    def declared_index(self, side: Side) -> DeclaredIndex | None:
        """The one index that files declare on just the join's columns of a side, which may be gone since."""
        return None if self.declared is None else self.declared.only_one(self.facts, side)

    def no_index_finds(self, side: Side) -> bool:
        """Whether surely no index finds the rows of a side by a value of the other's."""
        return self.declared is not None and self.declared.none_finds(self.facts, side)

    def indexes_are_swept(self, side: Side) -> bool:
        """Whether an index that finds the rows of a side by a value of the other's is read whole for each of them."""
        return side.scan in self.unled or (self.declared is not None and self.declared.only_sweeps(self.facts, side))

    def descents(self, side: Side) -> float:
        """How often a search of a side goes down an index that another column leads, at least."""
        return self.unled.get(side.scan, 1.0) if side.scan is not None else 1.0

    def index_holds(self, side: Side, name: str, needed: frozenset[str] | None) -> bool | None:
        """Whether an index holds all columns that are needed, by what files declare of it; None where that is open."""
        held = self.declared.held(side, name) if self.declared is not None else None
        return None if held is None or needed is None else needed <= held

    def no_index_orders(self, side: Side) -> bool:
        """Whether surely no index gives a side in the order of a join column."""
        return side.scan in self.unled or (self.declared is not None and self.declared.none_orders(self.facts, side))
