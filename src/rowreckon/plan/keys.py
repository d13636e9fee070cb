"""How a field's name becomes PostgreSQL's key, and the number types that the keys carry.

EXPLAIN's keys are Title Case words; the exceptions are abbreviations, and a few keys with a hyphen or a slash.
"""

from functools import cache
from typing import Annotated, Any

from pydantic_core import CoreSchema, core_schema

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


@cache  # every family of nodes asks again for the keys that all nodes have
def explain_key(field: str) -> str:
    """PostgreSQL's key for a field name: `shared_hit_blocks` is "Shared Hit Blocks"."""
    whole = _WHOLE_KEYS.get(field)
    if whole is not None:
        return whole
    return " ".join(_ABBREVIATIONS.get(word, word.capitalize()) for word in field.split("_"))


class _Ready:
    """Gives pydantic a finished schema: there are hundreds of such fields, and generating each anew takes longer
    than reading a plan."""

    def __init__(self, schema: CoreSchema) -> None:
        self.schema = schema

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        """The finished schema."""
        return self.schema


def _maybe(schema: CoreSchema) -> _Ready:
    return _Ready(core_schema.nullable_schema(schema))


MOST = 10**100
"""No number of a plan is larger: the planner clamps its row estimates there (clamp_row_est, from 14 on), and the
product of any three still has a place among the floats."""

LEAST = 1e-9
"""No number of a plan is nearer to 0 without being 0: PostgreSQL prints three decimals at most. So the quotient of any
two has a place among the floats."""

_MOST_OF_64_BITS = 2**63 - 1


def _number(least: int | None) -> CoreSchema:
    # An int stays an int and a decimal stays a decimal, so that a document can be rebuilt as it was.
    least_whole = -_MOST_OF_64_BITS - 1 if least is None else least
    whole = core_schema.int_schema(strict=True, ge=least_whole, le=_MOST_OF_64_BITS)
    nearest = -float(MOST) if least is None else LEAST
    decimal = core_schema.float_schema(strict=True, ge=nearest, le=float(MOST), allow_inf_nan=False)
    nothing = core_schema.float_schema(strict=True, ge=0.0, le=0.0)
    # Comparing with a number of more than 64 bits is slow, and hardly ever needed.
    longer = core_schema.int_schema(strict=True, ge=-MOST if least is None else least, le=MOST)
    return core_schema.union_schema([whole, decimal, nothing, longer])


def _loops() -> CoreSchema:
    whole = core_schema.int_schema(strict=True, ge=0, le=_MOST_OF_64_BITS)
    none = core_schema.float_schema(strict=True, ge=0, le=0)
    some = core_schema.float_schema(strict=True, ge=1, le=float(MOST), allow_inf_nan=False)
    longer = core_schema.int_schema(strict=True, ge=0, le=MOST)
    return core_schema.union_schema([whole, none, some, longer])


Number = Annotated[int | float, _Ready(_number(0))]
"""A count, a time in ms, a size or a planner cost: never negative, never NaN."""

Signed = Annotated[int | float, _Ready(_number(None))]
"""A number that PostgreSQL may print below zero."""

Text = Annotated[str, _Ready(core_schema.str_schema(strict=True))]
Flag = Annotated[bool, _Ready(core_schema.bool_schema(strict=True))]

# A key that is absent reads as None. Finished as well: a union with None would be generated anew for each field.
MaybeNumber = Annotated[int | float | None, _maybe(_number(0))]
MaybeLoops = Annotated[int | float | None, _maybe(_loops())]
"""How often a node ran: never, or at least once. Nothing is divided by less than one."""
MaybeSigned = Annotated[int | float | None, _maybe(_number(None))]
MaybeText = Annotated[str | None, _maybe(core_schema.str_schema(strict=True))]
MaybeFlag = Annotated[bool | None, _maybe(core_schema.bool_schema(strict=True))]


class AsItIs:
    """Marks a field whose value was checked where it was made, and is taken as it is.

    pydantic's own way of skipping validation still builds the schema of everything below, once for each family of
    nodes, which costs more than reading a plan does.
    """

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        """Accept anything, and look at nothing below."""
        return core_schema.any_schema()
