"""How a field's name becomes PostgreSQL's key, and the number types that the keys carry.

EXPLAIN's keys are Title Case words; the exceptions are abbreviations, and a few keys with a hyphen or a slash.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

_ABBREVIATIONS = {
    "io": "I/O",
    "wal": "WAL",
    "fpi": "FPI",
    "tid": "TID",
    "cte": "CTE",
    "jit": "JIT",
    "sql": "SQL",
    "hashagg": "HashAgg",
}

_WHOLE_KEYS = {
    "full_sort_groups": "Full-sort Groups",
    "pre_sorted_groups": "Pre-sorted Groups",
    "one_time_filter": "One-Time Filter",
    "rows_removed_by_filter": "Rows Removed by Filter",
    "rows_removed_by_join_filter": "Rows Removed by Join Filter",
    "rows_removed_by_index_recheck": "Rows Removed by Index Recheck",
    "rows_removed_by_conflict_filter": "Rows Removed by Conflict Filter",
    "schema_name": "Schema",
}


def explain_key(field: str) -> str:
    """PostgreSQL's key for a field name: `shared_hit_blocks` is "Shared Hit Blocks"."""
    whole = _WHOLE_KEYS.get(field)
    if whole is not None:
        return whole
    return " ".join(_ABBREVIATIONS.get(word, word.capitalize()) for word in field.split("_"))


# An int stays an int and a decimal stays a decimal, so that a document can be rebuilt as it was.
Number = Annotated[int, Field(strict=True, ge=0)] | Annotated[float, Field(strict=True, ge=0, allow_inf_nan=False)]
"""A count, a time in ms, a size or a planner cost: never negative, never NaN."""

Signed = Annotated[int, Field(strict=True)] | Annotated[float, Field(strict=True, allow_inf_nan=False)]
"""A number that PostgreSQL may print below zero."""

Text = Annotated[str, Field(strict=True)]
Flag = Annotated[bool, Field(strict=True)]
