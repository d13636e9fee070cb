"""One EXPLAIN object: the plan tree and what stands beside it.

The tree is built from the leaves up without recursion, so that depth is limited by an option and not by the
interpreter's stack.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import Field, ValidationError

from rowreckon.errors import BrokenPlan
from rowreckon.plan.base import Buffers, ExplainPart, PlanNode
from rowreckon.plan.keys import MOST, AsItIs, MaybeNumber, MaybeSigned, MaybeText, Text
from rowreckon.plan.nodes import FAMILIES, OtherNode, model_of


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

    plan: Annotated[PlanNode, AsItIs()]
    planning: Planning | None = None
    planning_time: MaybeNumber = None
    execution_time: MaybeNumber = None
    triggers: tuple[Trigger, ...] | None = None
    settings: dict[str, Text] | None = None
    query_identifier: MaybeSigned = None
    query_text: MaybeText = None
    query_parameters: MaybeText = None
    jit: dict[str, Any] | None = Field(default=None, alias="JIT")
    serialization: dict[str, Any] | None = None

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
    typed: dict[str, Any] = dict(raw)
    typed["Plan"] = build_plan(plan)
    if isinstance(typed.get("Triggers"), list):
        typed["Triggers"] = tuple(typed["Triggers"])
    try:
        return ExplainDocument.model_validate(typed)
    except ValidationError as error:
        raise _broken(error, "") from None


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
        except ValidationError as error:
            raise _broken(error, _place(order, position)) from None
        if parent >= 0:
            built[parent].append(typed)
        built[position] = []
    return typed


def _typed_node(node: dict[str, Any], children: tuple[PlanNode, ...]) -> PlanNode:
    node_type = node.get("Node Type")
    family = FAMILIES.get(node_type, OtherNode) if isinstance(node_type, str) else OtherNode
    model = model_of(family)
    if "Plans" in node:
        return model.model_validate({**node, "Plans": children})
    return model.model_validate(node)


def rebuild_plan(root: PlanNode) -> dict[str, Any]:
    """The raw form of a typed tree, without recursion."""
    top: dict[str, Any] = {}
    stack: list[tuple[PlanNode, dict[str, Any]]] = [(root, top)]
    while stack:
        node, out = stack.pop()
        out.update(node.to_explain())
        if "plans" in node.model_fields_set:
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


def _broken(error: ValidationError, place: str) -> BrokenPlan:
    found = error.errors(include_url=False, include_context=False)
    first = next((e for e in found if e["type"] in _OUT_OF_BOUNDS), found[0])
    # pydantic adds the branch of a union ("int", "float") as a last step: it is no key of the document.
    keys = [str(step) for step in first["loc"] if not _is_union_branch(step)]
    where = " > ".join(([place] if place else []) + keys)
    value = first.get("input")
    problem = {
        "missing": "a key that PostgreSQL always prints is missing",
        "greater_than_equal": f"{value!r} is below zero",
        "less_than_equal": "this number is larger than any that PostgreSQL prints",
        "finite_number": f"{value!r} is not a finite number",
    }.get(first["type"], f"{_kind(value)} has the wrong type here")
    if isinstance(value, float) and 0 < value < 1 and first["type"] in _OUT_OF_BOUNDS:
        problem = f"{value!r} is smaller than any number but 0 that PostgreSQL prints here"
    if isinstance(value, int | float) and value < -MOST:
        problem = "this number is further below zero than any that PostgreSQL prints"
    if isinstance(value, float) and value != value:
        problem = "NaN is not a number that PostgreSQL prints"
    return BrokenPlan(problem, where=where, hint="capture the plan again, or correct this value")


_OUT_OF_BOUNDS = frozenset({"greater_than_equal", "less_than_equal", "finite_number"})


def _is_union_branch(step: int | str) -> bool:
    return isinstance(step, str) and (step in ("int", "float") or step.startswith("constrained"))


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
