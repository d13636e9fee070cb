"""What remedies need of each audited plan."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import field

from rowreckon.capture import Capture
from rowreckon.causes import CauseFinding
from rowreckon.counts import ReckonedTree
from rowreckon.document.audit import Join
from rowreckon.frozen import frozen


@frozen
class PlanAudit:
    """One plan, audited: `index` is its place in the document, `own_ms` each node's own time (ms)."""

    index: int
    capture: Capture
    reckoned: ReckonedTree
    joins: tuple[Join, ...]
    findings: tuple[CauseFinding, ...]
    own_ms: tuple[float | None, ...]
    _places: dict[int, int] = field(default_factory=dict, init=False, compare=False, repr=False)

    def joins_at(self, nodes: Iterable[int]) -> list[Join]:
        """The judged joins among these nodes, in the order of `joins`."""
        if not self._places:  # a plan may have as many causes as joins: none of them looks at all joins
            self._places.update({join.node: place for place, join in enumerate(self.joins)})
        return [self.joins[place] for place in sorted(self._places[n] for n in set(nodes) if n in self._places)]

    @property
    def execution_ms(self) -> float | None:
        """The statement's execution time, ms."""
        explain = self.capture.explain
        if explain is None:
            return None
        if explain.execution_time is not None:
            return float(explain.execution_time)
        root = explain.plan
        return None if root.actual_total_time is None else float(root.actual_total_time) * root.loops
