"""The audit document: what a planner said that a remedy would do to a whole list of queries; nothing was run."""

from typing import Final, Literal

from rowreckon.document.base import MaybeFloat, MaybeInt, MaybeText, Part
from rowreckon.document.plan import MovedFacts

NEEDS_TRIAL: Final = "what it does hangs on the rows themselves, so only a trial with data tells"
"""The `reason` of remedies that no empty server can foretell."""


class ForetoldQuery(Part):
    """What the planner does with one query once the remedy is there; costs are planner units of the whole plan.

    `plan` is its number in the audit, None for a query of the list that no plan was captured of.
    """

    query: str
    plan: MaybeInt = None
    change: Literal["plan_same", "plan_changed", "unknown"]
    cost_before: MaybeFloat = None
    cost_after: MaybeFloat = None
    reason: MaybeText = None


class Foretold(Part):
    """What a stand-in said of a remedy, or in `reason` why it could not be asked.

    `planned` counts the queries that were planned without and with it, `changed` those among them that get another
    plan. `queries` lists these, those that the remedy is meant for, and those that could not be planned.
    """

    asked_of: Literal["stand_in"] = "stand_in"
    planned: int = 0
    changed: int = 0
    queries: tuple[ForetoldQuery, ...] = ()
    index_kb: MaybeFloat = None
    """Size that its indexes would have."""
    reason: MaybeText = None
    moved_facts: tuple[MovedFacts, ...] = ()
    """How far facts may move before the plans foretold are others; of the first queries that it changes."""
