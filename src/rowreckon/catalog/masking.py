"""Masking: a capture without literals and sampled values, for passing on. Capture to Capture, pure.

Names, types, numbers of rows, costs, frequencies and fractions stay, since the audit rests on them; strings become
'***', numbers in SQL text become 0, comments go. A list of constants keeps its length, which costs depend on.
What this release does not know is masked too, rather than let through.
"""

from __future__ import annotations

import re
from typing import Any

from rowreckon.capture import Alternative, Capture
from rowreckon.plan.document import ExplainDocument, parse_document

from .facts import Catalog

_TOKEN = re.compile(
    r"""
    (?P<comment> --[^\n]* | /\*.*?(?:\*/|\Z) )
  | (?P<dollar> \$(?P<tag>(?:[^\W\d]\w*)?)\$.*?(?:\$(?P=tag)\$|\Z) )
  | (?P<escape> \b[Ee]'(?:[^'\\]|''|\\.)*(?:'|\Z) )
  | (?P<string> (?:\b[BbXxNn]|\b[Uu]&)?'(?:[^']|'')*(?:'|\Z) )
  | (?P<quoted> "(?:[^"]|"")*(?:"|\Z) )
  | (?P<plan> \b(?:SubPlan|InitPlan|CTE|MULTIEXPR)\ \d+ )
  | (?P<typmod> ::(?:character\ varying|character|varchar|bpchar|numeric|bit\ varying|bit|timestamp|time|interval)
                  \(\d+(?:,\s*\d+)*\) )
  | (?P<parameter> \$\d+ )
  | (?P<word> [^\W\d]\w* )
  | (?P<number> (?:\d[\d_]*(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?\w* )
    """,
    re.VERBOSE | re.DOTALL,
)
_MASK = "'***'"
_VALUE_IN_WORDS = re.compile(r"\"[^\"]*\"|'[^']*'|(?<!SQLSTATE )(?<![\w.])\d[\d.]*(?!\w)")

# Keys of EXPLAIN whose strings are names or PostgreSQL's own words, not expressions; then those of the catalog.
_PLAN_NAMES = frozenset(
    {
        "Node Type", "Parent Relationship", "Subplan Name", "Strategy", "Partial Mode", "Operation", "Join Type",
        "Relation Name", "Schema", "Alias", "Index Name", "Scan Direction", "Function Name", "Table Function Name",
        "CTE Name", "Tuplestore Name", "Trigger Name", "Constraint Name", "Relation", "Sort Method", "Sort Space Type",
        "Sort Methods Used", "Cache Mode", "Command", "Storage", "Custom Plan Provider", "Sampling Method",
        "Conflict Resolution", "Conflict Arbiter Indexes", "Format",
    }
)  # fmt: skip
_CATALOG_NAMES = frozenset(
    {
        "schema", "name", "schema_name", "alias", "left_alias", "right_alias", "type", "left_type", "right_type",
        "arguments", "owner", "role", "database", "search_path", "unit", "source", "value", "how", "relation", "index",
        "node_type", "asked", "support", "language", "collation", "constraint", "access_method",
    }
)  # fmt: skip


def mask_sql(text: str) -> str:
    """SQL text, whole or cut short, with every literal masked and every comment gone."""
    return _TOKEN.sub(_replacement, text)


def mask_capture(capture: Capture) -> Capture:
    """The capture without literals and sampled values; nothing else changes."""
    catalog = capture.catalog
    return capture.model_copy(
        update={
            "query": None if capture.query is None else mask_sql(capture.query),
            "reason": None if capture.reason is None else _mask_message(capture.reason),
            "notes": tuple(_mask_message(note) for note in capture.notes),
            "explain": None if capture.explain is None else _mask_explain(capture.explain),
            "catalog": mask_catalog(catalog) if isinstance(catalog, Catalog) else None,
            "alternatives": tuple(
                Alternative(switched_off=a.switched_off, explain=_mask_explain(a.explain)) for a in capture.alternatives
            ),
        }
    )


def mask_catalog(catalog: Catalog) -> Catalog:
    """The catalog without sampled values, and without literals in predicates, bounds and conditions."""
    document = _masked(catalog.model_dump(mode="python"), _CATALOG_NAMES)
    return Catalog.model_validate(document)


def _mask_explain(explain: ExplainDocument) -> ExplainDocument:
    raw = explain.to_explain()
    masked = {key: value if key == "Settings" else _masked(value, _PLAN_NAMES, key) for key, value in raw.items()}
    return parse_document(masked)


def _masked(value: Any, names: frozenset[str], key: str = "") -> Any:
    if isinstance(value, dict):
        return {k: _masked(v, names, k) for k, v in value.items()}
    if key in ("most_common_vals", "histogram_bounds"):
        return None
    if isinstance(value, (list, tuple)):
        return type(value)(_masked(item, names, key) for item in value)
    if not isinstance(value, str) or key in names:
        return value
    return _mask_message(value) if key in ("what", "why") else mask_sql(value)


def _mask_message(text: str) -> str:
    """A sentence in which values may stand between quotation marks of either kind, or as digits."""
    return _VALUE_IN_WORDS.sub("***", text)


def _replacement(match: re.Match[str]) -> str:
    kind, text = match.lastgroup, match.group()
    if match.group("comment") is not None:
        return " "
    if match.group("dollar") is not None or match.group("escape") is not None:
        return _MASK
    if match.group("string") is not None:
        body = text[text.index("'") + 1 :].removesuffix("'")
        if body.startswith("{") and body.endswith("}"):
            return "'{" + ",".join("***" for _ in range(_elements(body[1:-1]))) + "}'"
        return _MASK
    return "0" if kind == "number" else text


def _elements(body: str) -> int:
    """Number of elements of an array literal's inside, commas between quotation marks not counted."""
    if not body:
        return 0
    return re.sub(r'"(?:[^"\\]|\\.)*"', "", body).count(",") + 1
