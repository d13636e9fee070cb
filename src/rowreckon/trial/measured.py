"""What a trial measured of one remedy: values that the edge fills in and the pure part judges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from rowreckon.document.audit import Plan, Remedy
from rowreckon.sql.filling import Filling, filling_statement

from .times import NO_TIMES, Times

Change = Literal["plan_same", "plan_changed", "unknown"]
Where = Literal["copy", "in_place"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One or several remedies to be tried together.

    `ranks` are theirs in the audit; `statements` change the database, `settings` are SET LOCAL statements for the
    queries that they are meant for; `victims` are the numbers of these plans. `rewritten` are whole queries by the
    number of the plan whose query they stand for, and `fillings` the temporary tables that these read.
    """

    ranks: tuple[int, ...]
    remedies: tuple[Remedy, ...]
    statements: tuple[str, ...]
    settings: tuple[str, ...] = ()
    victims: frozenset[int] = frozenset()
    rewritten: Mapping[int, str] = field(default_factory=dict)
    fillings: Mapping[int, tuple[Filling, ...]] = field(default_factory=dict)

    @property
    def all_statements(self) -> tuple[str, ...]:
        """What changes the database, and what fills temporary tables for the rewritten queries."""
        fills = (filling_statement(filling) for fillings in self.fillings.values() for filling in fillings)
        return (*self.statements, *dict.fromkeys(fills))

    @property
    def title(self) -> str:
        """What a progress bar calls it."""
        if len(self.ranks) > 1:
            return f"changes {', '.join(map(str, self.ranks))} together"
        return f"change {self.ranks[0]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class QueryMeasure:
    """One query of the list with and without the change; `plan` is its number in the audit.

    `plan_before` and `plan_after` are its audited runs where the change is meant for it and it was run. `basis` says
    how the change of plan was seen, `reason` why something is not known.
    """

    plan: int
    name: str
    change: Change
    before: Times = NO_TIMES
    after: Times = NO_TIMES
    plan_before: Plan | None = None
    plan_after: Plan | None = None
    order_before: str | None = None
    order_after: str | None = None
    basis: str | None = None
    reason: str | None = None
    share: float = 1.0
    """In which share of the samples of ANALYZE the plan was the one that was run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What came of an attempt.

    `not_applied` says why the change is not in force, `void` what spoilt the comparison, `other_rows` that a query
    written another way gives other rows; `queries` are those that could be planned, in the audit's order.
    """

    attempt: Attempt
    where: Where
    not_applied: str | None = None
    void: str | None = None
    other_rows: str | None = None
    queries: Sequence[QueryMeasure] = ()
    apply_ms: float | None = None
    index_kb: float | None = None
    notes: tuple[str, ...] = ()
