"""One EXPLAIN object: the plan tree and what stands beside it.

The tree is built from the leaves up without recursion, so that depth is limited by an option and not by the
interpreter's stack.
"""

from collections.abc import Mapping
from typing import Annotated, Any

from rowreckon.errors import BrokenPlan
from rowreckon.plan.base import Buffers, PlanNode
from rowreckon.plan.keys import (
    AS_IT_IS,
    LEAST,
    MISSING,
    MOST,
    NOT_FINITE,
    TOO_LARGE,
    TOO_SMALL,
    MaybeNumber,
    MaybeObject,
    MaybeSigned,
    MaybeText,
    MaybeTextsByName,
    Wrong,
)
from rowreckon.plan.nodes import FAMILIES, OtherNode
from rowreckon.plan.part import ExplainPart, OnePart, Parts


class Trigger(ExplainPart):
    """One trigger's calls and time (ms, total)."""

    trigger_name: MaybeText = None
    constraint_name: MaybeText = None
    relation: MaybeText = None
    schema_name: MaybeText = None
    time: MaybeNumber = None
    calls: MaybeNumber = None


class Planning(Buffers):
    """What planning took: buffers (from 13), memory in kB (from 17)."""

    memory_used: MaybeNumber = None
    memory_allocated: MaybeNumber = None


class ExplainDocument(ExplainPart):
    """One object of EXPLAIN (FORMAT JSON); times in ms."""

    required = "plan"

    plan: Annotated[PlanNode, AS_IT_IS]
    planning: Annotated[Planning | None, OnePart(Planning)] = None
    planning_time: MaybeNumber = None
    execution_time: MaybeNumber = None
    triggers: Annotated[tuple[Trigger, ...] | None, Parts(Trigger)] = None
    settings: MaybeTextsByName = None
    query_identifier: MaybeSigned = None
    query_text: MaybeText = None
    query_parameters: MaybeText = None
    jit: MaybeObject = None
    serialization: MaybeObject = None

    @property
    def analyzed(self) -> bool:
        """Whether the statement was executed."""
        return self.plan.actual_loops is not None

    def to_explain(self) -> dict[str, Any]:
        """The object as PostgreSQL printed it, rebuilt from typed fields and kept unknowns."""
        out = super().to_explain()
        out["Plan"] = rebuild_plan(self.plan)
        return out


def parse_document(raw: Mapping[str, Any]) -> ExplainDocument:
    """The typed form of one raw EXPLAIN object.

    Raises BrokenPlan with the place, where a key that PostgreSQL always prints is missing or a value has a type or
    a sign that PostgreSQL never prints.
    """
    plan = raw.get("Plan")
    if not isinstance(plan, dict):
        raise BrokenPlan(
            f"the key 'Plan' holds {_kind(plan)} where a plan node belongs",
            where="Plan",
            hint="paste the whole output of EXPLAIN (ANALYZE, FORMAT JSON)",
        )
    try:
        return ExplainDocument.read({**raw, "Plan": build_plan(plan)})
    except Wrong as wrong:
        raise _broken(wrong, "") from None


def build_plan(raw: dict[str, Any]) -> PlanNode:
    """The typed tree below a raw node, children first. Raises BrokenPlan with the path of the bad value."""
    order: list[tuple[dict[str, Any], int, int]] = [(raw, -1, 0)]  # node, its parent's place in this list, child number
    for position, (node, _, _) in enumerate(order):  # grows while it is walked
        children = node.get("Plans")
        if children is None:
            continue
        if not isinstance(children, list):
            raise _bad_children(order, position, children)
        for number, child in enumerate(children):
            order.append((child, position, number))
            if not isinstance(child, dict):
                raise _bad_children(order, len(order) - 1, child)
    built: list[list[PlanNode]] = [[] for _ in order]
    for position in range(len(order) - 1, -1, -1):
        node, parent, _ = order[position]
        below = built[position]
        below.reverse()
        try:
            typed = _typed_node(node, tuple(below))
        except Wrong as wrong:
            raise _broken(wrong, _place(order, position)) from None
        if parent >= 0:
            built[parent].append(typed)
        built[position] = []
    return typed


def _typed_node(node: dict[str, Any], children: tuple[PlanNode, ...]) -> PlanNode:
    node_type = node.get("Node Type")
    family = FAMILIES.get(node_type, OtherNode) if isinstance(node_type, str) else OtherNode
    typed = family.read(node)
    if "Plans" in node:
        typed.__dict__["plans"] = children
    return typed


def rebuild_plan(root: PlanNode) -> dict[str, Any]:
    """The raw form of a typed tree, without recursion."""
    top: dict[str, Any] = {}
    stack: list[tuple[PlanNode, dict[str, Any]]] = [(root, top)]
    while stack:
        node, out = stack.pop()
        out.update(node.to_explain())
        if node.was_printed("plans"):
            out["Plans"] = [{} for _ in node.plans]
            stack.extend(zip(node.plans, out["Plans"], strict=True))
    return top


def _place(order: list[tuple[dict[str, Any], int, int]], position: int) -> str:
    steps: list[str] = []
    while position > 0:
        _, parent, number = order[position]
        steps.append(f"Plans[{number}]")
        position = parent
    return " > ".join(["Plan", *reversed(steps)])


def _bad_children(order: list[tuple[dict[str, Any], int, int]], position: int, value: object) -> BrokenPlan:
    place = _place(order, position)
    return BrokenPlan(
        f"{_kind(value)} stands where plan nodes belong", where=place, hint="capture the plan again, whole"
    )


def _broken(wrong: Wrong, place: str) -> BrokenPlan:
    where = " > ".join([place, *wrong.steps] if place else wrong.steps)
    value = wrong.value
    problem = {
        MISSING: "a key that PostgreSQL always prints is missing",
        TOO_SMALL: f"{value!r} is below zero",
        TOO_LARGE: "this number is larger than any that PostgreSQL prints",
        NOT_FINITE: f"{value!r} is not a finite number",
    }.get(wrong.problem, f"{_kind(value)} has the wrong type here")
    if isinstance(value, float) and 0 < value < LEAST:
        problem = f"{value!r} is smaller than any number that PostgreSQL prints"
    elif wrong.problem == TOO_SMALL and isinstance(value, float) and value > 0:
        problem = f"{value!r} is more than 0 and less than 1"
    if isinstance(value, int | float) and value < -MOST:
        problem = "this number is further below zero than any that PostgreSQL prints"
    if isinstance(value, float) and value != value:
        problem = "NaN is not a number that PostgreSQL prints"
    return BrokenPlan(problem, where=where, hint="capture the plan again, or correct this value")


def _kind(value: object) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return f"the flag {str(value).lower()}"
    if isinstance(value, str):
        return f"the text {value[:40]!r}"
    if isinstance(value, (int, float)):
        return f"the number {value!r}"[:60]
    if isinstance(value, list):
        return "a list"
    return "an object"
