"""A capture: one plan with the facts that belong to it. One capture in, one audit out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict

from rowreckon.bounds import Milliseconds, Name, Node, Rows, Text, Version
from rowreckon.plan.document import ExplainDocument
from rowreckon.plan.keys import AsItIs

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Catalog
    from rowreckon.declared.facts import Declared
    from rowreckon.document.plan import GenericPlan, MovedFacts, PlanForValue, RightCounts
else:
    # Most captures come without facts, and the models of facts take longer to make than a plan takes to read.
    Catalog = Declared = PlanForValue = GenericPlan = MovedFacts = RightCounts = Any

WITHOUT_FACTS = "without catalog facts: "
"""How the note of a capture begins whose facts were asked for and not had; the reason follows."""
NOT_ASKED = "the planner could not be asked about other join methods: "
"""How the note of a capture begins whose query was given for that; its facts stay, the reason follows."""
STAND_IN_NOT_ASKED = "the stand-in was not asked: "
"""How the note of a capture begins of which a stand-in was told nothing; the reason follows."""

Outcome = Literal["ran", "timed_out", "failed", "refused", "skipped"]


class RunFacts(BaseModel):
    """What a query was run on and under: a capture stands for another run only where all of it is the same.

    `server` and `statements` are digests: of the server's identity and address, and of the statement with its settings,
    prepared statements and values. `login` is the role that connected, `limits_ms` the limits by name.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    server: str
    database: int
    login: str
    statements: str
    limits_ms: dict[str, int]


class SessionFacts(BaseModel):
    """The session that the plan ran in: another session may get another plan."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    role: Name | None = None
    database: Name | None = None
    search_path: Text | None = None
    row_security: bool | None = None
    settings: dict[str, str] = {}
    run: RunFacts | None = None


class Alternative(BaseModel):
    """A plan that the planner gave for the same query with some methods switched off; never executed.

    `asked_of` says whose planner: the server's, or that of an empty one that plans as it does.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    switched_off: tuple[Name, ...]
    explain: Annotated[ExplainDocument, AsItIs()]
    asked_of: Literal["server", "stand_in"] = "server"


class Probe(BaseModel):
    """A bounded count of our own for a node of a plan that could not run to its end.

    `node` is its pre-order number, `rows` a total; unless `complete`, the count stopped at its limit and is a lower
    bound.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    node: Node
    rows: Rows
    complete: bool


class Contest(BaseModel):
    """The clock's word on one join: the whole query, run with each method at this join, the rest of its plan alike.

    `node` is the join's pre-order number; `times_ms` the median execution time by method, None where it did not end
    within the time limit.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    node: Node
    times_ms: dict[Name, Milliseconds | None]


class KeyValue(BaseModel):
    """The one value of a join's key that the filter on its table left when the query ran; `alias` is the query's."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    alias: str
    column: str
    table: str
    schema_name: str | None
    value: str


class Capture(BaseModel):
    """One plan and its facts.

    `settings` is what EXPLAIN (SETTINGS) or the server told: None means unknown, an empty dict means that every
    planner setting has its built-in default. `explain` is None where a query never got a plan. `runs_ms` are
    execution times of repeated runs, ms. `notes` say what was mended while reading, or what the form lacks.
    `prepared` is the query with parameters that `query` is an execution of, `executions` the values with which it is
    executed; a capture file holds neither.
    `key_values` are join keys that a filter fixes, as the server told; a capture file holds none.
    `declared` is what schema files say of the plan's relations, without what the plan contradicts. `values` says for
    which values of the query's literals another plan comes, `generic_plan` when it would turn generic as a prepared
    statement; a capture file holds neither, since values stand in them.
    `right_counts` is what a stand-in's planner does once the row counts are right, `moved_facts` how far facts may move
    before it takes other joins; a capture file holds the former only.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    name: str
    query: str | None = None
    prepared: str | None = None
    executions: tuple[tuple[str | None, ...], ...] = ()
    captured_at: Text | None = None
    server_version: Version | None = None
    settings: dict[str, str] | None = None
    explain: Annotated[ExplainDocument | None, AsItIs()] = None
    form: Literal["json", "text", "yaml", "xml"] = "json"
    session: SessionFacts | None = None
    catalog: Annotated[Catalog | None, AsItIs()] = None
    declared: Annotated[Declared | None, AsItIs()] = None
    alternatives: tuple[Alternative, ...] = ()
    probes: tuple[Probe, ...] = ()
    contests: tuple[Contest, ...] = ()
    key_values: tuple[KeyValue, ...] = ()
    right_counts: Annotated[RightCounts | None, AsItIs()] = None
    moved_facts: Annotated[tuple[MovedFacts, ...], AsItIs()] = ()
    values: Annotated[tuple[PlanForValue, ...], AsItIs()] = ()
    generic_plan: Annotated[GenericPlan | None, AsItIs()] = None
    runs_ms: tuple[Milliseconds, ...] = ()
    cache: Literal["cold", "warm", "unknown"] = "unknown"
    outcome: Outcome = "ran"
    sqlstate: Name | None = None
    line: Node | None = None
    reason: str | None = None
    notes: tuple[str, ...] = ()
