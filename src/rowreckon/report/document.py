"""The audit document: the machine-readable output, version 1, as frozen pydantic models.

Every rendering (terminal, Markdown, HTML, JSON) reads this document and nothing else, so that the numbers in all
formats agree. Row numbers are totals over loops and workers unless the name says per_loop; times are milliseconds;
costs are planner units. What is not known is None. A release may add keys, never change or drop one within a version.
"""

from typing import Any, Literal

from pydantic import Field

from rowreckon.report.document_base import Method as Method
from rowreckon.report.document_base import Part as Part
from rowreckon.report.document_trial import Combination as Combination
from rowreckon.report.document_trial import JoinSeen as JoinSeen
from rowreckon.report.document_trial import NotTried as NotTried
from rowreckon.report.document_trial import SideEffect as SideEffect
from rowreckon.report.document_trial import Trial as Trial
from rowreckon.report.document_trial import TrialAccount as TrialAccount
from rowreckon.report.document_trial import TrialJoin as TrialJoin
from rowreckon.report.document_trial import TrialQuery as TrialQuery

AUDIT_SCHEMA = "rowreckon.audit/1"

JoinType = Literal["inner", "left", "right", "full", "semi", "anti", "right_semi", "right_anti"]
CountState = Literal["exact", "at_least", "reread", "not_run", "not_counted", "probed"]
Direction = Literal["under", "over", "even"]
Verdict = Literal["crossed", "held", "accurate", "undecided"]
Basis = Literal["planner", "catalog", "plan"]
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
    """An input that could not be read: named, never dropped silently."""

    source: str
    reason: str
    where: str | None = None


class Node(Part):
    """One node of a plan; `id` is its pre-order number, InitPlans and SubPlans included."""

    id: int
    path: tuple[int, ...]
    node_type: str
    join_type: str | None = None
    relation: str | None = None
    schema_: str | None = Field(default=None, alias="schema")
    alias: str | None = None
    index: str | None = None
    subplan_name: str | None = None
    parent_relationship: str | None = None
    estimated_rows: float | None = None
    estimated_rows_low: float | None = None
    estimated_rows_high: float | None = None
    estimated_rows_per_loop: float | None = None
    planned_rows: float | None = None
    planned_loops: float | None = None
    actual_rows: float | None = None
    actual_rows_low: float | None = None
    actual_rows_high: float | None = None
    loops: float | None = None
    workers: int | None = None
    count: CountState
    q_error: float | None = None
    q_error_low: float | None = None
    direction: Direction | None = None
    q_error_here: float | None = None
    direction_here: Direction | None = None
    own_ms: float | None = None
    tables: tuple[str, ...] = ()


class JoinSide(Part):
    """One input of a join, as the executed join took its sides (hash: the inner side is the build side)."""

    node: int
    estimated_rows: float | None = None
    actual_rows: float | None = None
    count: CountState
    tables: tuple[str, ...] = ()


class Way(Part):
    """One way to run a method: how the inner side is reached, and in which order the sides stand."""

    access: str
    index: str | None = None
    hypothetical: bool = False
    sides_turned: bool = False
    at_estimate: float | None = None
    at_actual: float | None = None


class MethodCost(Part):
    """What a join method costs by the model, in planner units, per execution as printed."""

    at_estimate: float | None = None
    at_actual: float | None = None
    basis_at_estimate: Basis | None = None
    basis_at_actual: Basis | None = None
    comparable: bool = True
    not_comparable_reason: str | None = None
    ways: tuple[Way, ...] = ()


class SwitchPoint(Part):
    """A row count at which the cheapest method changes, with the interval that the evidence leaves."""

    from_: str = Field(alias="from")
    to: str
    outer_rows: float | None = None
    low: float | None = None
    high: float | None = None
    basis: Basis
    inner_at: Literal["estimate", "actual"]
    inner_rows: float | None = None
    along: Literal["outer", "inner"] = "outer"
    inner_from_rows: float | None = None


class Margin(Part):
    """The factor by which the outer rows may grow (`up`) and shrink (`down`) before the lead changes."""

    up: float | None = None
    down: float | None = None


class RowsPerOuter(Part):
    """Inner rows that come for each outer row."""

    estimated: float | None = None
    actual: float | None = None


class RowVisits(Part):
    """How many rows or row pairs a method has to touch: the plain-words model beside the cost model."""

    at_estimate: float | None = None
    at_actual: float | None = None


class SafeOrigin(Part):
    """How far the error at one origin may go before the join's lead changes."""

    node: int
    q_error_here: float | None = None
    safe_q_error: float | None = None


class CurvePoint(Part):
    """One sample of the cost curves: every method's cost at a number of outer rows (planner units)."""

    outer_rows: float
    inner_at: Literal["estimate", "actual"] = "estimate"
    costs: dict[Method, float | None] = Field(default_factory=dict)


class Join(Part):
    """One join, judged."""

    node: int
    path: tuple[int, ...]
    method: Method
    join_type: JoinType
    condition: str | None = None
    equality: bool
    outer: JoinSide
    inner: JoinSide
    q_error: float | None = None
    direction: Direction | None = None
    verdict: Verdict
    basis: Basis
    costs: dict[Method, MethodCost] = Field(default_factory=dict)
    excluded: dict[Method, str] = Field(default_factory=dict)
    residual: float | None = None
    switch_points: tuple[SwitchPoint, ...] = ()
    margin: Margin | None = None
    inner_rows_per_outer: RowsPerOuter | None = None
    best_at_actual: Method | None = None
    loss_factor: float | None = None
    contest: dict[str, float | bool | None] | None = None
    scale: float | None = None
    row_visits: dict[Method, RowVisits] = Field(default_factory=dict)
    curve: tuple[CurvePoint, ...] = ()
    why: str
    missing: tuple[int, ...] = ()
    origin: tuple[int, ...] = ()
    safe_origins: tuple[SafeOrigin, ...] = ()


class Evidence(Part):
    """One fact that a finding rests on, and where it came from."""

    fact: str
    value: str | float | int | bool | None = None
    from_: str = Field(alias="from")


class Finding(Part):
    """A root cause: why an estimate was wrong."""

    code: str
    node: int | None = None
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
    q_error_here: float | None = None


class TimeElsewhere(Part):
    """Time that no judged join accounts for; `ms` is None where the plan proves the fact but not the time."""

    node: int | None = None
    kind: TimeKind
    ms: float | None = None
    fact: str


class Missing(Part):
    """Evidence that would decide more, with the command that gets it."""

    what: str
    why: str
    how: str


class Session(Part):
    """The session that the plan ran in, as far as known."""

    role: str | None = None
    database: str | None = None
    search_path: str | None = None
    row_security: bool | None = None
    settings: dict[str, str] = Field(default_factory=dict)


class Plan(Part):
    """One captured plan, audited."""

    source: str
    query: str | None = None
    query_id: str | None = None
    server_version: int | None = None
    analyzed: bool
    planning_ms: float | None = None
    execution_ms: float | None = None
    outcome: Outcome = "ran"
    sqlstate: str | None = None
    line: int | None = None
    reason: str | None = None
    runs_ms: tuple[float, ...] = ()
    cache: Literal["cold", "warm", "unknown"] = "unknown"
    nodes: tuple[Node, ...] = ()
    joins: tuple[Join, ...] = ()
    findings: tuple[Finding, ...] = ()
    origins: tuple[Origin, ...] = ()
    time_elsewhere: tuple[TimeElsewhere, ...] = ()
    joins_ms: float | None = None
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
    undo_note: str | None = None
    check_first: str | None = None
    lock: str | None = None
    transactional: bool
    tables: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    findings: tuple[FindingRef, ...] = ()
    expected_gain_ms: GainMs | None = None
    cost_ratio: float | None = None
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
    execution_ms: float | None = None
    lost_ms: float | None = None
    q_error_median: float | None = None


class Fold(Part):
    """One query with one plan shape, over all its executions in an archive.

    `q_errors` has the min, median, p95 and max of each execution's largest q-error between nearest ends; `crossed` and
    `misestimated` count executions. `lost_ms` is what the cost model claims: the time of each crossed join × (1 − 1 ÷
    its loss factor). `plan` is the index of the worst execution's plan, None where it is not shown.
    """

    fingerprint: str
    times: int
    first: str | None = None
    last: str | None = None
    q_errors: dict[str, float] = Field(default_factory=dict)
    crossed: int = 0
    lost_ms: float | None = None
    query: str | None = None
    query_id: str | None = None
    misestimated: int = 0
    execution_ms: float | None = None
    plan: int | None = None
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
    execution_ms: float | None = None


class Audit(Part):
    """The whole audit: what `--format json` prints."""

    schema_: Literal["rowreckon.audit/1"] = Field(default="rowreckon.audit/1", alias="schema")
    tool_version: str
    plans: tuple[Plan, ...] = ()
    remedies: tuple[Remedy, ...] = ()
    folds: tuple[Fold, ...] = ()
    rejected: tuple[Rejected, ...] = ()
    trials: TrialAccount | None = None
    summary: Summary

    def to_json(self) -> str:
        """The document as JSON text, two-space indented, keys in the models' order: same input, same bytes."""
        return self.model_dump_json(indent=2, by_alias=True) + "\n"

    def _repr_html_(self) -> str:
        """What a notebook shows: the HTML report in a sandboxed frame."""
        from rowreckon.report.notebook import notebook_html

        return notebook_html(self)

    def _repr_markdown_(self) -> str:
        """What a notebook without HTML shows."""
        from rowreckon.report.notebook import notebook_markdown

        return notebook_markdown(self)


def audit_json_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the audit document, as `rowreckon schema` prints it."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **Audit.model_json_schema(by_alias=True, mode="serialization"),
    }
