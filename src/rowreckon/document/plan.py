"""The audit document: one captured plan with its nodes, joins, causes, and where its time goes."""

from typing import Any, Final, Literal

from pydantic import Field

from rowreckon.document.base import MaybeFlag, MaybeFloat, MaybeInt, MaybeText, Part
from rowreckon.document.join import Basis, FactLimit, Join
from rowreckon.document.node import Node

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
    explains: MaybeFloat = None
    """The factor of the error that the cause explains, at least 1; None where it is not known."""


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


class TimeBy(Part):
    """Where the time goes, in ms; the parts add up to execution and planning.

    `crossed_joins` and `other_joins` hold what a method brings with it: its sorts, hashes and stores, and an inner side
    that is run again for each outer row. `waiting` is time in which blocks were read, as far as the server timed it.
    """

    crossed_joins: float = 0.0
    other_joins: float = 0.0
    scans: float = 0.0
    sorts: float = 0.0
    aggregates: float = 0.0
    functions: float = 0.0
    jit: float = 0.0
    planning: float = 0.0
    waiting: float = 0.0
    other: float = 0.0


class MovedFacts(Part):
    """How far facts may move, each alone, before what a stand-in said is no longer so.

    `turns_at` lists the facts that turn it soonest first; an end is open where it stays so a hundredfold away. `asked`
    plans were made for it; `left_out` names facts for which no more could be asked for. `join` is the node of the join
    whose method it is about, `query` the one whose plan it is about; the plan itself where there is neither.
    """

    join: MaybeInt = None
    query: MaybeText = None
    turns_at: tuple[FactLimit, ...] = ()
    asked: int = 0
    left_out: tuple[str, ...] = ()
    asked_of: Literal["stand_in"] = "stand_in"


MOST_LEVELS: Final = 100
"""Most levels of a plan that right counts hold as PostgreSQL prints it: each takes two of the 255 levels that
pydantic writes of a value."""


class RightCounts(Part):
    """What the planner does once the row counts are right.

    `reached` are the nodes whose estimates were made right; `why_not_reached` says of each other one why it was not.
    `unmeasured` are the joins of the new plan whose true counts nobody knows: a new order counts only if it wins though
    each of these gave `unmeasured_factor` times the rows expected; else `order_changed` and `cost_ratio` are None.
    `starts_from` is the relation that the new plan's rows start from, None where they start from the same as before.
    `cost_ratio` is the executed plan's cost over the new one's, both at right counts; `plan` is the new plan as
    PostgreSQL prints it.
    """

    order_changed: MaybeFlag = None
    methods_changed: MaybeFlag = None
    starts_from: MaybeText = None
    cost_ratio: MaybeFloat = None
    reached: tuple[int, ...] = ()
    not_reached: tuple[int, ...] = ()
    why_not_reached: tuple[str, ...] = ()
    probed: tuple[int, ...] = ()
    """Joins of the new plan whose rows were counted on the source for it."""
    unmeasured: tuple[int, ...] = ()
    unmeasured_factor: MaybeFloat = None
    plan: dict[str, Any] | None = None
    moved_facts: MovedFacts | None = None
    """How far facts may move, starting from those that were made right, before this plan is another."""


class PlanForValue(Part):
    """For which values of a literal or parameter a plan comes: single `values`, all `others`, or those from `low` to
    `high` (both of this plan; None is an open end).

    `plan` is its shape in one line; `differs` are its nodes that the plan of the query's own value lacks, `own` whether
    it is that plan. `row_share` is the share of the table's rows with such a value. The planner was asked `asked` times
    at this place; not `complete`: some values have no place in the map.
    """

    parameter: str
    values: tuple[str, ...] = ()
    plan: str
    relation: MaybeText = None
    others: bool = False
    low: MaybeText = None
    high: MaybeText = None
    differs: tuple[str, ...] = ()
    tables: tuple[str, ...] = ()
    """The plan's tables, and what the query calls them."""
    index: tuple[str, ...] = ()
    """The plan's indexes."""
    columns: tuple[str, ...] = ()
    own: bool = False
    row_share: MaybeFloat = None
    cost_low: MaybeFloat = None
    cost_high: MaybeFloat = None
    asked: MaybeInt = None
    complete: bool = True
    asked_of: MaybeText = None


class GenericPlan(Part):
    """When a prepared statement turns to its generic plan, and whether that suits the values that come.

    `sequence` says whose values were taken: `given` ones, or values drawn by their share of the rows. In the n-th
    execution, `turns_at`, the server first takes the generic plan; None: not within `executions`. Costs are the
    planner's for one execution, without planning: `cost` is that of the generic plan, `custom_cost` the custom plans'
    mean. `same_plan_share` is the share of the executions whose custom plan is the generic one; `values` are those of
    the execution that the custom plan makes cheapest against the generic one, where that is another plan.
    """

    sequence: Literal["given", "by_share"]
    executions: int
    turns_at: MaybeInt = None
    cost: float
    custom_cost: float
    same_plan_share: float
    values: tuple[str | None, ...] = ()
    values_cost: MaybeFloat = None
    plan: str
    tables: tuple[str, ...] = ()
    index: tuple[str, ...] = ()
    asked_of: MaybeText = None


class Plan(Part):
    """One captured plan, audited."""

    source: str
    query: MaybeText = None
    query_id: MaybeText = None
    captured_at: MaybeText = None
    facts_read_at: MaybeText = None
    """When the facts of a server were read that the verdicts rest on."""
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
    time_by: TimeBy | None = None
    """None where the nodes were not timed."""
    session: Session | None = None
    missing: tuple[Missing, ...] = ()
    notes: tuple[str, ...] = ()
    learned_from: tuple[str, ...] = ()
    """The other plans and files whose facts the verdicts rest on."""
    turns_at: tuple[FactLimit, ...] = ()
    moved_facts: tuple[MovedFacts, ...] = ()
    """How far facts may move before the planner joins the misestimated joins otherwise."""
    with_right_counts: RightCounts | None = None
    values: tuple[PlanForValue, ...] = ()
    generic_plan: GenericPlan | None = None
