"""The comparison document: what `rowreckon compare --format json` prints, version 1, as frozen pydantic models.

As in the audit document: what is not known is None, times are milliseconds, and a release may add keys within a
version, never change or drop one.
"""

from typing import Any, Literal

from pydantic import Field

from rowreckon.document.audit import Method, Part, Verdict
from rowreckon.json_text import escaped
from rowreckon.report.comparing.compare import Comparison, ErrorChange, PlanComparison
from rowreckon.report.words.escape import bare
from rowreckon.report.words.sentences import node_label

TimeDifference = Literal["faster", "slower", "within_noise", "too_few_runs", "not_known"]


class MethodChanged(Part):
    """A join that another method runs now; None on the side where the join order has no such join."""

    tables: tuple[str, ...]
    before: Method | None = None
    after: Method | None = None


class VerdictChanged(Part):
    """A join of both whose verdict is another now."""

    tables: tuple[str, ...]
    before: Verdict
    after: Verdict


class ErrorChanged(Part):
    """A node whose q-error passed the threshold between the two; None where it is missing or not counted."""

    node: str
    q_error_before: float | None = None
    q_error_after: float | None = None


class SwitchPointMoved(Part):
    """A switch point of a join in both, in outer rows."""

    tables: tuple[str, ...]
    from_: str = Field(alias="from")
    to: str
    outer_rows_before: float
    outer_rows_after: float


class TimesCompared(Part):
    """Runs of both; `chance` is how often runs of one plan would stand apart like this, None where they overlap."""

    before_ms: tuple[float, ...] = ()
    after_ms: tuple[float, ...] = ()
    median_before_ms: float | None = None
    median_after_ms: float | None = None
    difference: TimeDifference
    chance: float | None = None


class Promise(Part):
    """What the first audit said of a change to this query: its trial, else its expected gain."""

    rank: int
    kind: str
    tables: tuple[str, ...] = ()
    trial_after_ms: float | None = None
    gain_low_ms: float | None = None
    gain_high_ms: float | None = None


class PlanCompared(Part):
    """One query in both."""

    before: str
    after: str
    differs: bool
    outcome_before: str
    outcome_after: str
    join_methods: tuple[MethodChanged, ...] = ()
    verdicts: tuple[VerdictChanged, ...] = ()
    misestimates_gone: tuple[ErrorChanged, ...] = ()
    misestimates_come: tuple[ErrorChanged, ...] = ()
    switch_points_moved: tuple[SwitchPointMoved, ...] = ()
    times: TimesCompared
    promised: tuple[Promise, ...] = ()


class ComparisonDocument(Part):
    """The whole comparison."""

    schema_: Literal["rowreckon.comparison/1"] = Field(default="rowreckon.comparison/1", alias="schema")
    tool_version: str
    differs: bool
    plans: tuple[PlanCompared, ...] = ()
    only_before: tuple[str, ...] = ()
    only_after: tuple[str, ...] = ()

    def to_json(self) -> str:
        """The document as JSON text: same input, same bytes."""
        return escaped(self.model_dump_json(indent=2, by_alias=True)) + "\n"


def comparison_document(comparison: Comparison, tool_version: str) -> ComparisonDocument:
    """A comparison as its document."""
    return ComparisonDocument(
        tool_version=tool_version,
        differs=comparison.differs,
        plans=tuple(_plan(plan) for plan in comparison.plans),
        only_before=tuple(plan.source for plan in comparison.only_before),
        only_after=tuple(plan.source for plan in comparison.only_after),
    )


def comparison_json_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the comparison document."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **ComparisonDocument.model_json_schema(by_alias=True, mode="serialization"),
    }


def _plan(plan: PlanComparison) -> PlanCompared:
    medians = plan.times.medians
    return PlanCompared(
        before=plan.before.source,
        after=plan.after.source,
        differs=plan.differs,
        outcome_before=plan.before.outcome,
        outcome_after=plan.after.outcome,
        join_methods=tuple(MethodChanged(tables=m.tables, before=m.before, after=m.after) for m in plan.methods),
        verdicts=tuple(VerdictChanged(tables=v.tables, before=v.before, after=v.after) for v in plan.verdicts),
        misestimates_gone=tuple(_error(change) for change in plan.gone),
        misestimates_come=tuple(_error(change) for change in plan.come),
        switch_points_moved=tuple(
            SwitchPointMoved(
                tables=m.tables, from_=m.below, to=m.above, outer_rows_before=m.before, outer_rows_after=m.after
            )
            for m in plan.moves
        ),
        times=TimesCompared(
            before_ms=plan.times.before,
            after_ms=plan.times.after,
            median_before_ms=medians[0] if medians else None,
            median_after_ms=medians[1] if medians else None,
            difference=plan.times.difference,
            chance=plan.times.chance,
        ),
        promised=tuple(
            Promise(
                rank=remedy.rank,
                kind=remedy.kind,
                tables=remedy.tables,
                trial_after_ms=remedy.trial.after_ms if remedy.trial else None,
                gain_low_ms=remedy.expected_gain_ms.low if remedy.expected_gain_ms else None,
                gain_high_ms=remedy.expected_gain_ms.high if remedy.expected_gain_ms else None,
            )
            for remedy in plan.remedies
        ),
    )


def _error(change: ErrorChange) -> ErrorChanged:
    node = change.before or change.after
    label = bare(node_label(node)) if node is not None else ""
    return ErrorChanged(node=label, q_error_before=change.q_before, q_error_after=change.q_after)
