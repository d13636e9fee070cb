"""The audit document: what a trial measured of a remedy, and how it went about it."""

from typing import Literal

from rowreckon.document.base import MaybeFloat, MaybeInt, MaybeText, Method, Part
from rowreckon.document.join import Join


class SideEffect(Part):
    """What a remedy does to another query."""

    query: str
    change: Literal["plan_same", "plan_changed", "unknown"]
    time: Literal["same", "faster", "slower", "not_measured"] = "not_measured"
    within_noise: bool = False
    """`time` goes by the medians alone: the runs vary too much, or too little lies between, to call it a difference;
    with `same`: to exclude one of a fifth."""
    before_ms: MaybeFloat = None
    after_ms: MaybeFloat = None
    basis: MaybeText = None


class JoinSeen(Part):
    """One join as a run showed it: the node in its plan, the method, the rows of its outer side, its q-error."""

    node: int
    method: Method
    outer_estimated_rows: MaybeFloat = None
    outer_actual_rows: MaybeFloat = None
    q_error: MaybeFloat = None


class TrialJoin(Part):
    """The join of the same tables before and after a change; None where the other join order has no such join."""

    tables: tuple[str, ...]
    before: JoinSeen | None = None
    after: JoinSeen | None = None


class TrialQuery(Part):
    """A query that a remedy is meant for, run without and with the change; the times are medians of the runs (ms).

    `plan` is its number in the audit, whose joins stand before the change; `joins_after` are those of its plan with the
    change, judged alike, numbered by the nodes of that plan, without curves and ways.
    """

    query: str
    plan: MaybeInt = None
    time: Literal["same", "faster", "slower", "not_measured"] = "not_measured"
    within_noise: bool = False
    """As in a side effect."""
    before_ms: MaybeFloat = None
    after_ms: MaybeFloat = None
    before_runs_ms: tuple[float, ...] = ()
    after_runs_ms: tuple[float, ...] = ()
    join_order_before: MaybeText = None
    join_order_after: MaybeText = None
    joins: tuple[TrialJoin, ...] = ()
    joins_after: tuple[Join, ...] = ()
    reason: MaybeText = None


class Trial(Part):
    """A remedy tried where nothing lasts, and measured."""

    where: Literal["copy", "in_place"]
    before_ms: MaybeFloat = None
    after_ms: MaybeFloat = None
    join_methods_before: tuple[str, ...] = ()
    join_methods_after: tuple[str, ...] = ()
    q_error_before: MaybeFloat = None
    q_error_after: MaybeFloat = None
    verdict: Literal["helped", "no_effect", "harmed", "not_applied", "inconclusive"]
    reason: MaybeText = None
    queries: tuple[TrialQuery, ...] = ()
    apply_ms: MaybeFloat = None
    """What applying the change took."""
    index_kb: MaybeFloat = None
    """Size of the indexes that it made."""
    queries_planned: MaybeInt = None
    """How many queries of the list were planned with the change, those with the same plan included."""
    rank_before: MaybeInt = None
    """The remedy's rank before anything was tried."""


class Combination(Part):
    """Several remedies tried together, of those that helped the best for each query."""

    ranks: tuple[int, ...]
    trial: Trial
    side_effects: tuple[SideEffect, ...] = ()


class NotTried(Part):
    """A remedy that was to be tried and was not."""

    rank: int
    reason: str


class TrialAccount(Part):
    """How a trial went about it: where, at what price, what was not tried, and what it left behind.

    `combination` is the largest set found that slows no query by more than a fifth beyond the noise; `further` a larger
    one that brings more to some queries and slows others.
    """

    where: Literal["copy", "in_place"]
    copies: int = 0
    database_kb: MaybeFloat = None
    copy_ms: MaybeFloat = None
    budget_ms: MaybeFloat = None
    combination: Combination | None = None
    further: Combination | None = None
    not_tried: tuple[NotTried, ...] = ()
    left_behind: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
