"""The audit document: a judged join with its costs, switch points and margin."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, Literal, Self

from pydantic import Field

from rowreckon.document.base import MaybeFloat, MaybeInt, MaybeText, Method, Part

JoinType = Literal["inner", "left", "right", "full", "semi", "anti", "right_semi", "right_anti"]
CountState = Literal["exact", "at_least", "reread", "not_run", "not_counted", "probed"]
Direction = Literal["under", "over", "even"]
Verdict = Literal["crossed", "held", "accurate", "undecided"]
Basis = Literal["planner", "catalog", "plan"]
AskedOf = Literal["server", "stand_in"]
"""Whose planner was asked: the server's own, or that of an empty one that plans as it does."""


class JoinSide(Part):
    """One input of a join, as the executed join took its sides (hash: the inner side is the build side)."""

    node: int
    estimated_rows: MaybeFloat = None
    actual_rows: MaybeFloat = None
    count: CountState
    tables: tuple[str, ...] = ()
    in_each_of: MaybeInt = None
    """Processes that each delivered these rows whole: the totals are this many times what one of them saw."""


class Way(Part):
    """One way to run a method: how the inner side is reached, and in which order the sides stand."""

    access: str
    index: MaybeText = None
    hypothetical: bool = False
    sides_turned: bool = False
    at_estimate: MaybeFloat = None
    at_actual: MaybeFloat = None


class MethodCost(Part):
    """What a join method costs by the model, in planner units, per execution as printed.

    Where the evidence leaves only bounds, the figure is None and `_low` and `_high` hold them.
    """

    at_estimate: MaybeFloat = None
    at_estimate_low: MaybeFloat = None
    at_estimate_high: MaybeFloat = None
    at_actual: MaybeFloat = None
    at_actual_low: MaybeFloat = None
    at_actual_high: MaybeFloat = None
    basis_at_estimate: Basis | None = None
    basis_at_actual: Basis | None = None
    comparable: bool = True
    not_comparable_reason: MaybeText = None
    ways: tuple[Way, ...] = ()


class SwitchPoint(Part):
    """A row count at which the cheapest method changes, with the interval that the evidence leaves.

    `outer_rows` is None where that interval is too wide for one figure to stand for it.
    """

    from_: str = Field(alias="from")
    to: str
    outer_rows: MaybeFloat = None
    low: MaybeFloat = None
    high: MaybeFloat = None
    basis: Basis
    inner_at: Literal["estimate", "actual"]
    inner_rows: MaybeFloat = None
    along: Literal["outer", "inner"] = "outer"
    inner_from_rows: MaybeFloat = None


class Margin(Part):
    """The factor by which the outer rows may grow (`up`) and shrink (`down`) before the lead changes."""

    up: MaybeFloat = None
    down: MaybeFloat = None


class RowsPerOuter(Part):
    """Inner rows that come for each outer row."""

    estimated: MaybeFloat = None
    actual: MaybeFloat = None


class RowVisits(Part):
    """How many rows or row pairs a method has to touch: the plain-words model beside the cost model."""

    at_estimate: MaybeFloat = None
    at_actual: MaybeFloat = None


class SafeOrigin(Part):
    """How far the error at one origin may go before the join's lead changes."""

    node: int
    q_error_here: MaybeFloat = None
    safe_q_error: MaybeFloat = None


class CurvePoint(Part):
    """One sample of the cost curves: every method's cost at a number of outer rows (planner units)."""

    outer_rows: float
    inner_at: Literal["estimate", "actual"] = "estimate"
    costs: dict[Method, float | None] = Field(default_factory=dict)


class FactLimit(Part):
    """How far a fact may move before the verdict turns: `from` to `to` in the fact's own unit, either end open."""

    fact: str
    value: MaybeFloat = None
    from_: float | None = Field(default=None, alias="from")
    to: MaybeFloat = None
    source: MaybeText = None


BORDERS: Final = ("switch_points", "margin", "curve", "safe_origins", "why")
"""What is looked up along a join's rows, and the sentence that tells it: as long a work as all the rest of a join."""


class Join(Part):
    """One join, judged."""

    node: int
    path: tuple[int, ...]
    method: Method
    join_type: JoinType
    condition: MaybeText = None
    equality: bool
    outer: JoinSide
    inner: JoinSide
    q_error: MaybeFloat = None
    direction: Direction | None = None
    verdict: Verdict
    basis: Basis
    costs: dict[Method, MethodCost] = Field(default_factory=dict)
    excluded: dict[Method, str] = Field(default_factory=dict)
    residual: MaybeFloat = None
    switch_points: tuple[SwitchPoint, ...] = ()
    margin: Margin | None = None
    inner_rows_per_outer: RowsPerOuter | None = None
    best_at_actual: Method | None = None
    loss_factor: MaybeFloat = None
    contest: dict[str, float | bool | None] | None = None
    scale: MaybeFloat = None
    row_visits: dict[Method, RowVisits] = Field(default_factory=dict)
    curve: tuple[CurvePoint, ...] = ()
    why: str
    missing: tuple[int, ...] = ()
    origin: tuple[int, ...] = ()
    safe_origins: tuple[SafeOrigin, ...] = ()
    learned_from: tuple[str, ...] = ()
    """The other plans and files whose facts the verdict rests on."""
    turns_at: tuple[FactLimit, ...] = ()
    asked_of: AskedOf | None = None
    """Whose planner gave the figures, with the basis `planner`."""
    costs_above: bool = False
    """Whether the costs hold what sorts or groups the join's rows above it, as far as that depends on the method."""

    @classmethod
    def with_borders_when_asked(cls, values: dict[str, Any], borders: Callable[[], dict[str, Any]]) -> Self:
        """A join of trusted values whose borders are looked up when the first of them is asked for.

        For joins that are printed, of which a terminal shows a few: one that is written or compared has to be whole.
        """
        made = cls.trusted({name: value for name, value in values.items() if name not in BORDERS})
        object.__setattr__(made, "__pydantic_private__", {"borders": borders})
        return made

    if not TYPE_CHECKING:

        def __getattr__(self, name: str) -> Any:
            """Look the borders up; any other name is none of a join's."""
            waiting = self.__pydantic_private__ if name in BORDERS else None
            if not waiting:
                return super().__getattr__(name)
            object.__setattr__(self, "__pydantic_private__", None)
            self.__dict__.update(waiting["borders"]())
            return self.__dict__[name]
