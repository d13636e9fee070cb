"""The audit document: the machine-readable output, version 1, as frozen pydantic models.

Every rendering (terminal, Markdown, HTML, JSON) reads this document and nothing else, so that the numbers in all
formats agree. Row numbers are totals over loops and workers unless the name says per_loop; times are milliseconds;
costs are planner units. What is not known is None. A release may add keys, never change or drop one within a version.
"""

from typing import Any, Literal

from pydantic import Field

from rowreckon.document.base import MaybeFlag, MaybeFloat, MaybeInt, MaybeText
from rowreckon.document.base import Method as Method
from rowreckon.document.base import Part as Part
from rowreckon.document.baseline import Baseline as Baseline
from rowreckon.document.baseline import BaselineJoin as BaselineJoin
from rowreckon.document.join import Basis as Basis
from rowreckon.document.join import CountState as CountState
from rowreckon.document.join import CurvePoint as CurvePoint
from rowreckon.document.join import Direction as Direction
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
from rowreckon.document.trial import Combination as Combination
from rowreckon.document.trial import JoinSeen as JoinSeen
from rowreckon.document.trial import NotTried as NotTried
from rowreckon.document.trial import SideEffect as SideEffect
from rowreckon.document.trial import Trial as Trial
from rowreckon.document.trial import TrialAccount as TrialAccount
from rowreckon.document.trial import TrialJoin as TrialJoin
from rowreckon.document.trial import TrialQuery as TrialQuery
from rowreckon.json_text import escaped

AUDIT_SCHEMA = "rowreckon.audit/1"

Outcome = Literal["ran", "timed_out", "failed", "refused", "skipped"]
TimeKind = Literal[
    "subplan",
    "spill",
    "jit",
    "io",
    "rows_discarded",
    "heap_fetches",
    "trigger",
    "planning",
    "sort",
    "aggregate",
    "scan",
    "workers_missing",
    "write",
    "other",
]


class Rejected(Part):
    """An input that could not be read, or not audited: named, never dropped silently.

    `defect`: rowreckon itself is at fault, not the input.
    """

    source: str
    reason: str
    where: MaybeText = None
    defect: bool = False


class Evidence(Part):
    """One fact that a finding rests on, and where it came from."""

    fact: str
    value: str | float | int | bool | None = None
    from_: str = Field(alias="from")


class Finding(Part):
    """A root cause: why an estimate was wrong."""

    code: str
    node: MaybeInt = None
    joins: tuple[int, ...] = ()
    tables: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    confidence: float = Field(ge=0, le=1)
    basis: Basis
    summary: str
    evidence: tuple[Evidence, ...] = ()


class Origin(Part):
    """Where one error enters, and the joins that suffer from it."""

    node: int
    joins: tuple[int, ...] = ()
    q_error_here: MaybeFloat = None


class TimeElsewhere(Part):
    """Time that no judged join accounts for; `ms` is None where the plan proves the fact but not the time."""

    node: MaybeInt = None
    kind: TimeKind
    ms: MaybeFloat = None
    fact: str


class Missing(Part):
    """Evidence that would decide more, with the command that gets it."""

    what: str
    why: str
    how: str


class Session(Part):
    """The session that the plan ran in, as far as known."""

    role: MaybeText = None
    database: MaybeText = None
    search_path: MaybeText = None
    row_security: MaybeFlag = None
    settings: dict[str, str] = Field(default_factory=dict)


class Plan(Part):
    """One captured plan, audited."""

    source: str
    query: MaybeText = None
    query_id: MaybeText = None
    captured_at: MaybeText = None
    server_version: MaybeInt = None
    analyzed: bool
    planning_ms: MaybeFloat = None
    execution_ms: MaybeFloat = None
    outcome: Outcome = "ran"
    sqlstate: MaybeText = None
    line: MaybeInt = None
    reason: MaybeText = None
    runs_ms: tuple[float, ...] = ()
    cache: Literal["cold", "warm", "unknown"] = "unknown"
    nodes: tuple[Node, ...] = ()
    joins: tuple[Join, ...] = ()
    findings: tuple[Finding, ...] = ()
    origins: tuple[Origin, ...] = ()
    time_elsewhere: tuple[TimeElsewhere, ...] = ()
    joins_ms: MaybeFloat = None
    """Wall-clock ms that the judged joins (verdict other than accurate) account for."""
    session: Session | None = None
    missing: tuple[Missing, ...] = ()
    notes: tuple[str, ...] = ()


class FindingRef(Part):
    """Points at a finding: index of the plan, index of the finding in it."""

    plan: int
    finding: int


class GainMs(Part):
    """Expected gain in ms, as an interval."""

    low: float
    high: float


class Remedy(Part):
    """A change to try."""

    rank: int
    kind: Literal["refresh_statistics", "more_statistics", "new_index", "drop_index", "other"]
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


class Audit(Part):
    """The whole audit: what `--format json` prints."""

    schema_: Literal["rowreckon.audit/1"] = Field(default="rowreckon.audit/1", alias="schema")
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
