"""Masking: a capture without literals and sampled values, for passing on. Capture to Capture, pure.

It comes first: what is audited, named and rendered afterwards is made of masked values. Names, types, numbers of rows,
costs, frequencies and fractions stay, since the audit rests on them. What a key holds is told by the key; a text under
a key that no release of PostgreSQL is known to print is left out whole.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from rowreckon.capture import Capture, SessionFacts
from rowreckon.captures.masked_words import masked_name, masked_reason, masked_sentence, masked_setting
from rowreckon.catalog.facts import Catalog
from rowreckon.declared.facts import Declared
from rowreckon.document.plan import GenericPlan, PlanForValue, RightCounts
from rowreckon.plan.base import ExplainPart
from rowreckon.plan.document import ExplainDocument, parse_document
from rowreckon.plan.nodes import FAMILIES, model_of
from rowreckon.sql.masking import MASKED, UNREAD, mask_expression, mask_statement

# Keys of EXPLAIN whose strings are names or PostgreSQL's own words; those whose strings are expressions or statements.
_PLAN_NAMES = frozenset(
    {
        "Node Type", "Parent Relationship", "Subplan Name", "Strategy", "Partial Mode", "Operation", "Join Type",
        "Relation Name", "Schema", "Alias", "Index Name", "Scan Direction", "Function Name", "Table Function Name",
        "CTE Name", "Tuplestore Name", "Trigger Name", "Constraint Name", "Relation", "Sort Method", "Sort Space Type",
        "Sort Methods Used", "Cache Mode", "Command", "Storage", "Custom Plan Provider", "Sampling Method",
        "Conflict Resolution", "Conflict Arbiter Indexes", "Format", "Params Evaluated",
    }
)  # fmt: skip
PLAN_EXPRESSIONS = frozenset(
    {
        "Output", "Filter", "Index Cond", "Recheck Cond", "TID Cond", "Order By", "Join Filter", "Hash Cond",
        "Merge Cond", "One-Time Filter", "Run Condition", "Cache Key", "Sort Key", "Presorted Key", "Group Key",
        "Group Keys", "Hash Keys", "Window", "Function Call", "Table Function Call", "Sampling Parameters",
        "Repeatable Seed", "Conflict Filter", "Relations", "Query Parameters",
    }
)  # fmt: skip
_PLAN_STATEMENTS = frozenset({"Remote SQL", "Query Text"})
# Keys below which the keys are the server's own, and everything else a number or a flag.
_FIGURES = frozenset({"JIT", "Serialization"})

_MOST_LEVELS = 50
"""What nests deeper below a key is left out: EXPLAIN's own objects, plans apart, nest three levels deep."""

# Fields of the catalog likewise.
_CATALOG_NAMES = frozenset(
    {
        "schema", "schema_", "name", "schema_name", "alias", "left_alias", "right_alias", "type", "left_type",
        "right_type", "owner", "role", "database", "search_path", "unit", "source", "relation", "index", "node_type",
        "asked", "support", "language", "collation", "constraint", "access_method", "kind", "kinds", "persistence",
        "height_known_by", "volatility", "parallel", "restriction_estimator", "join_estimator", "operator",
        "statistics_missing", "column", "opclass", "uses", "included", "referenced_schema", "referenced_name",
        "referenced_columns", "parents", "partition_strategy", "partition_columns",
    }
)  # fmt: skip
_CATALOG_EXPRESSIONS = frozenset(
    {
        "condition", "expression", "expressions", "predicate", "partition_bound", "partition_key", "left_out",
        "index_cond", "filter", "clauses", "arguments", "columns",
    }
)  # fmt: skip
_CATALOG_STATEMENTS = frozenset({"definition"})
_CHOSEN_NAMES = frozenset({"files", "place"})
_SAMPLED = frozenset({"most_common_vals", "histogram_bounds"})


def mask_capture(capture: Capture) -> Capture:
    """The capture without literals and sampled values; nothing else changes."""
    catalog, settings, session = capture.catalog, capture.settings, capture.session
    declared = capture.declared
    return capture.model_copy(
        update={
            "name": masked_name(capture.name),
            "query": None if capture.query is None else mask_statement(capture.query),
            "prepared": None,
            "executions": (),
            "key_values": (),
            "reason": masked_reason(capture.reason, outcome=capture.outcome, sqlstate=capture.sqlstate),
            "notes": tuple(masked_sentence(note) for note in capture.notes),
            "settings": None if settings is None else _masked_settings(settings),
            "session": None if session is None else _masked_session(session),
            "explain": None if capture.explain is None else mask_explain(capture.explain),
            "catalog": mask_catalog(catalog) if isinstance(catalog, Catalog) else None,
            "declared": mask_declared(declared) if isinstance(declared, Declared) else None,
            "alternatives": tuple(
                a.model_copy(update={"explain": mask_explain(a.explain)}) for a in capture.alternatives
            ),
            "right_counts": None if capture.right_counts is None else _masked_right_counts(capture.right_counts),
            "values": tuple(_masked_value_entry(entry) for entry in capture.values),
            "generic_plan": None if capture.generic_plan is None else _masked_executions(capture.generic_plan),
        }
    )


def _masked_value_entry(entry: PlanForValue) -> PlanForValue:
    """The same plan for the same share of rows, without the values; a plan's line holds names only."""
    ends = {"low": entry.low and MASKED, "high": entry.high and MASKED}
    return entry.model_copy(update={"values": (MASKED,) * len(entry.values), **ends})


def _masked_executions(generic: GenericPlan) -> GenericPlan:
    """When the statement turns generic, without the values of its executions."""
    return generic.model_copy(update={"values": (MASKED,) * len(generic.values)})


def _masked_right_counts(found: RightCounts) -> RightCounts:
    plan = None if found.plan is None else _masked_part(found.plan, "Plan")
    reasons = tuple(masked_sentence(reason) for reason in found.why_not_reached)
    return found.model_copy(update={"plan": plan, "why_not_reached": reasons})


def mask_catalog(catalog: Catalog) -> Catalog:
    """The catalog without sampled values, and without literals in predicates, bounds and conditions."""
    document = {key: _masked_fact(value, key) for key, value in catalog.model_dump(mode="python").items()}
    return Catalog.model_validate(document)


def mask_declared(declared: Declared) -> Declared:
    """What schema files declare, without literals in predicates and expressions."""
    document = {key: _masked_fact(value, key) for key, value in declared.model_dump(mode="python").items()}
    return Declared.model_validate(document)


def mask_explain(explain: ExplainDocument) -> ExplainDocument:
    """One object of EXPLAIN without literals; its numbers stay, but for those that stand under unknown keys."""
    return parse_document({key: _masked_part(value, key) for key, value in explain.to_explain().items()})


def _masked_settings(settings: dict[str, str]) -> dict[str, str]:
    return {name: masked_setting(name, value) for name, value in settings.items()}


def _masked_session(session: SessionFacts) -> SessionFacts:
    # A digest of a text without its literals known is a way to guess them; a masked capture is never resumed anyway.
    return session.model_copy(update={"settings": _masked_settings(session.settings), "run": None})


def _masked_part(value: Any, key: str) -> Any:
    """The value of one of EXPLAIN's keys. Plans nest deeply: their nodes are walked without recursion."""
    if key == "Settings" and isinstance(value, dict):
        return {name: masked_setting(name, text) if isinstance(text, str) else text for name, text in value.items()}
    if key != "Plan":
        return _masked_value(value, key)
    top: dict[str, Any] = {}
    waiting: list[tuple[dict[str, Any], dict[str, Any]]] = [(value, top)]
    while waiting:
        node, out = waiting.pop()
        for name, held in node.items():
            if name == "Plans":
                out[name] = [{} for _ in held]
                waiting.extend(zip(held, out[name], strict=True))
            else:
                out[name] = _masked_value(held, name)
    return top


def _masked_value(value: Any, key: str, levels: int = _MOST_LEVELS) -> Any:
    if isinstance(value, str):
        return _masked_text(value, key)
    if isinstance(value, list | tuple | dict) and not levels:
        return UNREAD
    if isinstance(value, list | tuple):
        return [_masked_value(item, key, levels - 1) for item in value]
    if isinstance(value, dict):
        if key in _FIGURES:
            return {name: _masked_figure(item, name, levels - 1) for name, item in value.items()}
        return {name: _masked_value(item, name, levels - 1) for name, item in value.items()}
    if isinstance(value, int | float) and not isinstance(value, bool) and key not in _known_keys():
        return 0
    return value


def _masked_figure(value: Any, key: str, levels: int) -> Any:
    if isinstance(value, dict):
        return {name: _masked_figure(item, name, levels - 1) for name, item in value.items()} if levels else UNREAD
    if isinstance(value, list | tuple):
        return UNREAD
    return _masked_text(value, key) if isinstance(value, str) else value


def _masked_text(text: str, key: str) -> str:
    if key in _PLAN_NAMES:
        return text
    if key in PLAN_EXPRESSIONS:
        return mask_expression(text)
    return mask_statement(text) if key in _PLAN_STATEMENTS else UNREAD


@lru_cache(maxsize=1)
def _known_keys() -> frozenset[str]:
    """The keys of EXPLAIN that this release knows."""
    found: set[str] = set()
    for family in FAMILIES.values():
        model_of(family)
    waiting = [ExplainPart]
    while waiting:
        part = waiting.pop()
        waiting.extend(part.__subclasses__())
        found.update(field.alias or name for name, field in part.model_fields.items())
    return frozenset(found)


def _masked_fact(value: Any, key: str) -> Any:
    if key in _SAMPLED:
        return None
    if key == "settings":
        return [{**fact, "value": masked_setting(fact["name"], fact["value"])} for fact in value]
    if key == "missing":
        return [_masked_missing(fact) for fact in value]
    if isinstance(value, dict):
        return {name: _masked_fact(item, name) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return tuple(_masked_fact(item, key) for item in value)
    if not isinstance(value, str) or key in _CATALOG_NAMES:
        return value
    if key in _CHOSEN_NAMES:
        return masked_name(value)
    if key in _CATALOG_EXPRESSIONS:
        return mask_expression(value)
    if key in _CATALOG_STATEMENTS:
        return mask_statement(value)
    return masked_sentence(value)


def _masked_missing(fact: dict[str, Any]) -> dict[str, Any]:
    """What is missing and why, the server's own words left out; how to get it is a command of ours on names."""
    what, of, expression = fact["what"].partition(" figures for ")
    return {
        **fact,
        "what": what + of + (mask_expression(expression) if of else ""),
        "why": masked_reason(fact["why"], outcome="ran", sqlstate=None),
    }
