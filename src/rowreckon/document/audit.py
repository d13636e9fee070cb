"""The audit document: the machine-readable output, version 2, as frozen pydantic models.

Every rendering (terminal, Markdown, HTML, JSON) reads this document and nothing else, so that the numbers in all
formats agree. Row numbers are totals over loops and workers unless the name says per_loop; times are milliseconds;
costs are planner units. What is not known is None. A release may add keys, never change or drop one within a version.
"""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from rowreckon.document.base import MaybeFloat, MaybeInt, MaybeText
from rowreckon.document.base import Method as Method
from rowreckon.document.base import Part as Part
from rowreckon.document.baseline import Baseline as Baseline
from rowreckon.document.baseline import BaselineJoin as BaselineJoin
from rowreckon.document.foretold import Foretold as Foretold
from rowreckon.document.foretold import ForetoldQuery as ForetoldQuery
from rowreckon.document.join import BORDERS as BORDERS
from rowreckon.document.join import AskedOf as AskedOf
from rowreckon.document.join import Basis as Basis
from rowreckon.document.join import CountState as CountState
from rowreckon.document.join import CurvePoint as CurvePoint
from rowreckon.document.join import Direction as Direction
from rowreckon.document.join import FactLimit as FactLimit
from rowreckon.document.join import Join as Join
from rowreckon.document.join import JoinSide as JoinSide
from rowreckon.document.join import JoinType as JoinType
from rowreckon.document.join import Margin as Margin
from rowreckon.document.join import MethodCost as MethodCost
from rowreckon.document.join import RowsPerOuter as RowsPerOuter
from rowreckon.document.join import RowVisits as RowVisits
from rowreckon.document.join import SafeOrigin as SafeOrigin
from rowreckon.document.join import SwitchPoint as SwitchPoint
from rowreckon.document.join import Verdict as Verdict
from rowreckon.document.join import Way as Way
from rowreckon.document.node import Node as Node
from rowreckon.document.node import NodeBlocks as NodeBlocks
from rowreckon.document.node import NodeCondition as NodeCondition
from rowreckon.document.plan import Evidence as Evidence
from rowreckon.document.plan import Finding as Finding
from rowreckon.document.plan import GenericPlan as GenericPlan
from rowreckon.document.plan import Missing as Missing
from rowreckon.document.plan import MovedFacts as MovedFacts
from rowreckon.document.plan import Origin as Origin
from rowreckon.document.plan import Outcome as Outcome
from rowreckon.document.plan import Plan as Plan
from rowreckon.document.plan import PlanForValue as PlanForValue
from rowreckon.document.plan import RightCounts as RightCounts
from rowreckon.document.plan import Session as Session
from rowreckon.document.plan import TimeBy as TimeBy
from rowreckon.document.plan import TimeElsewhere as TimeElsewhere
from rowreckon.document.plan import TimeKind as TimeKind
from rowreckon.document.remedy_kinds import RemedyKind as RemedyKind
from rowreckon.document.trial import Combination as Combination
from rowreckon.document.trial import JoinSeen as JoinSeen
from rowreckon.document.trial import NotTried as NotTried
from rowreckon.document.trial import SideEffect as SideEffect
from rowreckon.document.trial import Trial as Trial
from rowreckon.document.trial import TrialAccount as TrialAccount
from rowreckon.document.trial import TrialJoin as TrialJoin
from rowreckon.document.trial import TrialQuery as TrialQuery
from rowreckon.json_text import escaped

AUDIT_SCHEMA = "rowreckon.audit/2"
EARLIER_SCHEMAS = ("rowreckon.audit/1",)
"""Versions that are read as well: all that they hold means the same in this one."""


class Rejected(Part):
    """An input that could not be read, or not audited: named, never dropped silently.

    `defect`: rowreckon itself is at fault, not the input.
    """

    source: str
    reason: str
    where: MaybeText = None
    defect: bool = False


class FindingRef(Part):
    """Points at a finding: index of the plan, index of the finding in it."""

    plan: int
    finding: int


class GainMs(Part):
    """Expected gain in ms, as an interval."""

    low: float
    high: float


class Remedy(Part):
    """A change to try. `confidence` is the chance that it mends the estimate (of an index: that the planner takes it);
    `expected_gain_ms` says what time that may bring."""

    rank: int
    kind: RemedyKind
    title: MaybeText = None
    """What the change is, in words: one name for each kind."""
    sql: tuple[str, ...]
    sql_trial: tuple[str, ...] = ()
    undo: tuple[str, ...] | None = None
    undo_note: MaybeText = None
    check_first: MaybeText = None
    lock: MaybeText = None
    transactional: bool
    tables: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    findings: tuple[FindingRef, ...] = ()
    expected_gain_ms: GainMs | None = None
    cost_ratio: MaybeFloat = None
    confidence: float = Field(ge=0, le=1)
    reason: str
    side_effects: tuple[SideEffect, ...] = ()
    trial: Trial | None = None
    foretold: Foretold | None = None
    """What a planner said that it would do to the whole list; None where none was asked."""
    cautions: tuple[str, ...] = ()


class FoldBefore(Part):
    """The same fold in an older archive; `times` 0 where it did not occur."""

    times: int = 0
    misestimated: int = 0
    crossed: int = 0
    execution_ms: MaybeFloat = None
    lost_ms: MaybeFloat = None
    q_error_median: MaybeFloat = None


class Fold(Part):
    """One query with one plan shape, over all its executions in an archive.

    `q_errors` has the min, median, p95 and max of each execution's largest q-error between nearest ends; `crossed` and
    `misestimated` count executions. `lost_ms` is what the cost model claims: the time of each crossed join × (1 − 1 ÷
    its loss factor). `plan` is the index of the worst execution's plan, None where it is not shown.
    """

    fingerprint: str
    times: int
    first: MaybeText = None
    last: MaybeText = None
    q_errors: dict[str, float] = Field(default_factory=dict)
    crossed: int = 0
    lost_ms: MaybeFloat = None
    query: MaybeText = None
    query_id: MaybeText = None
    misestimated: int = 0
    execution_ms: MaybeFloat = None
    plan: MaybeInt = None
    before: FoldBefore | None = None


class Summary(Part):
    """Counts over all plans."""

    plans: int = 0
    joins: int = 0
    crossed: int = 0
    held: int = 0
    undecided: int = 0
    accurate: int = 0
    misestimated_nodes: int = 0
    execution_ms: MaybeFloat = None
    time_by: TimeBy | None = None
    """Over all plans whose time is known, `other` where it was not measured node by node; None for an archive."""


def _current(schema: Any) -> Any:
    return AUDIT_SCHEMA if schema in EARLIER_SCHEMAS else schema


class Audit(Part):
    """The whole audit: what `--format json` prints. A document of an earlier version is read as one of this."""

    schema_: Annotated[Literal["rowreckon.audit/2"], BeforeValidator(_current)] = Field(
        default="rowreckon.audit/2", alias="schema"
    )
    tool_version: str
    plans: tuple[Plan, ...] = ()
    remedies: tuple[Remedy, ...] = ()
    folds: tuple[Fold, ...] = ()
    rejected: tuple[Rejected, ...] = ()
    trials: TrialAccount | None = None
    baseline: Baseline | None = None
    summary: Summary

    def to_json(self) -> str:
        """The document as JSON text, two-space indented, keys in the models' order: same input, same bytes."""
        return escaped(self.model_dump_json(indent=2, by_alias=True)) + "\n"


def audit_json_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the audit document, as `rowreckon schema` prints it."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **Audit.model_json_schema(by_alias=True, mode="serialization"),
    }
