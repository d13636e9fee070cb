"""Which of EXPLAIN's keys hold text, lists or objects: XML and YAML do not always show it in their form.

Every other key holds a number or a flag. A key that is not known is told by what it holds.
"""

from __future__ import annotations

import re
from typing import Any

from rowreckon.reading.explain_text.details import LISTS as _LINE_LISTS
from rowreckon.reading.explain_text.details import TEXTS as _LINE_TEXTS

TEXTS = _LINE_TEXTS | {
    "Node Type",
    "Strategy",
    "Partial Mode",
    "Operation",
    "Parent Relationship",
    "Subplan Name",
    "Custom Plan Provider",
    "Scan Direction",
    "Index Name",
    "Relation Name",
    "Schema",
    "Alias",
    "Function Name",
    "Table Function Name",
    "CTE Name",
    "Tuplestore Name",
    "Join Type",
    "Command",
    "Sampling Method",
    "Repeatable Seed",
    "Sort Method",
    "Sort Space Type",
    "Storage",
    "Trigger Name",
    "Constraint Name",
    "Relation",
    "Format",
    "Query Text",
    "Query Parameters",
}
OBJECT_LISTS = frozenset(("Plans", "Workers", "Triggers", "Target Tables", "Grouping Sets"))
NESTED_LISTS = frozenset(("Group Keys", "Hash Keys"))
LISTS = _LINE_LISTS | OBJECT_LISTS | NESTED_LISTS | {"Sampling Parameters", "Sort Methods Used"}
OBJECTS = frozenset(("Plan", "Settings", "Planning", "Serialization", "JIT", "Options", "Timing"))

_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")
_FLAGS = {"true": True, "false": False}


def typed(text: str) -> Any:
    """A value that is printed without quotes, as JSON would have it: a number, a flag, or else text."""
    match = _NUMBER.fullmatch(text)
    if match is not None and len(text) < 40:
        return int(text) if match.lastindex is None else float(text)
    return _FLAGS.get(text, text)
