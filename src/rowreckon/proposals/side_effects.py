"""Side effects without a trial: which other audited queries read the tables or call the function, and what may happen
to their plans."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.causes import TableName
from rowreckon.document.audit import SideEffect
from rowreckon.plan.node_texts import conditions_at, keys_at
from rowreckon.plan.nodes import ScanNode
from rowreckon.plan.tree import index_of
from rowreckon.proposals.callers import calls
from rowreckon.proposals.plan_audit import PlanAudit
from rowreckon.remedies.draft import Draft
from rowreckon.sql.spelling import names_of


def side_effects(draft: Draft, plans: Sequence[PlanAudit], treated: frozenset[int]) -> tuple[SideEffect, ...]:
    """The other plans that read the remedy's tables or call its function, in input order; `treated` are the plans that
    it is meant for."""
    found: list[SideEffect] = []
    for plan in plans:
        if plan.index in treated:
            continue
        if draft.function is not None and calls(plan.capture.query, plan.reckoned.tree.nodes, draft.function):
            change, basis = "unknown", "the function is called there; a trial tells"
        elif _reads(plan, draft.tables):
            change, basis = _change(draft, plan)
        else:
            continue
        found.append(SideEffect.model_validate({"query": plan.capture.name, "change": change, "basis": basis}))
    return tuple(found)


def _reads(plan: PlanAudit, tables: Sequence[TableName]) -> bool:
    return any(isinstance(node, ScanNode) and _is_one_of(node, tables) for node in plan.reckoned.tree.nodes if tables)


def _is_one_of(node: ScanNode, tables: Sequence[TableName]) -> bool:
    return any(
        node.relation_name == t.name and (t.schema is None or node.schema_name in (None, t.schema)) for t in tables
    )


def _change(draft: Draft, plan: PlanAudit) -> tuple[str, str]:
    if draft.kind == "drop_index":
        if any(index_of(node) == draft.index for node in plan.reckoned.tree.nodes):
            return "plan_changed", "its plan reads the index"
        return "plan_same", "its plan does not read the index"
    named = _mentions(plan, draft.columns)
    if draft.kind in ("new_index", "expression_index"):
        if draft.columns and not named:
            return "plan_same", "it neither joins on, restricts, sorts nor groups by the indexed columns"
        return "unknown", "the indexed columns are used there; a trial tells"
    if draft.kind in ("more_statistics", "distinct_count") and draft.columns and not named:
        return "unknown", "these columns are not used there, but the ANALYZE refreshes the whole table's statistics"
    return "unknown", "the table is read there; a trial tells"


def _mentions(plan: PlanAudit, columns: Sequence[str]) -> bool:
    wanted = set(columns)
    for node in plan.reckoned.tree.nodes:
        texts = (*conditions_at(node), *keys_at(node))
        if any(wanted & names_of(text) or any(c in text for c in wanted) for text in texts):
            return True
    return False
