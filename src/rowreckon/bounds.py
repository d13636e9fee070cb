"""What numbers, names and lists of a capture or an answer may be: ranges that no server leaves, and checks for them.

Both kinds of file may come from anywhere. The ranges are wide: they are there so that arithmetic stays finite and
memory bounded, not to judge what a server told.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Final

from pydantic import Field

from rowreckon.errors import BrokenPlan

MOST: Final = 1e100
"""No number is larger: the planner clamps its row estimates there (clamp_row_est)."""
LEAST: Final = 1e-100
"""No number but 0 is nearer to 0: a server computes fractions to about twelve digits."""
_MOST_WHOLE: Final = 2**63 - 1
MOST_TEXT: Final = 16 * 1024 * 1024
"""Longest text of a file (characters): a query with a literal of 5 MB is known from real lists."""
MOST_ENTRIES: Final = 1_000_000
"""Most entries of one list or object."""
DEEPEST: Final = 20_000
"""Most levels: a plan of 10,000 levels, which an option allows, has two for each."""

Oid = Annotated[int, Field(ge=0, le=2**32 - 1)]
AttNum = Annotated[int, Field(ge=-(2**15), le=2**15 - 1)]
Pages = Annotated[int, Field(ge=0, le=2**32 - 1)]
Counter = Annotated[int, Field(ge=0, le=_MOST_WHOLE)]
Node = Annotated[int, Field(ge=0, le=2**31 - 1)]
"""A node by its place in the plan; a line of a file."""
Height = Annotated[int, Field(ge=0, le=1_000)]
FillFactor = Annotated[int, Field(ge=1, le=100)]
BlockSize = Annotated[int, Field(ge=1024, le=32768)]
Version = Annotated[int, Field(ge=0, le=9_999_999)]
Whole = Annotated[int, Field(ge=-(2**31), le=2**31 - 1)]
Share = Annotated[float, Field(ge=0, le=1.01, allow_inf_nan=False)]
"""A fraction of rows; the servers' own are single precision, hence the hundredth."""
Rows = Annotated[float, Field(ge=0, le=MOST, allow_inf_nan=False)]
Cost = Annotated[float, Field(ge=0, le=MOST, allow_inf_nan=False)]
Difference = Annotated[float, Field(ge=-MOST, le=MOST, allow_inf_nan=False)]
"""Of two costs."""
Width = Annotated[float, Field(ge=0, le=2**31, allow_inf_nan=False)]
Distinct = Annotated[float, Field(ge=-1.01, le=MOST, allow_inf_nan=False)]
"""As pg_stats has it: below 0 a fraction of the rows."""
Correlation = Annotated[float, Field(ge=-1.01, le=1.01, allow_inf_nan=False)]
Milliseconds = Annotated[float, Field(ge=0, le=1e15, allow_inf_nan=False)]
Name = Annotated[str, Field(max_length=2_000)]
"""PostgreSQL's names have 63 bytes unless it was built otherwise; qualified and quoted ones are longer."""
Text = Annotated[str, Field(max_length=1_000_000)]
"""An expression, a definition, a sampled value."""
Freqs = Annotated[tuple[Share, ...], Field(max_length=10_001)]
"""A statistics target is at most 10,000."""
AttNums = Annotated[tuple[AttNum, ...], Field(max_length=1_700)]
"""A table has at most 1,600 columns."""


def check_bounds(document: Any, what: str) -> None:
    """Nothing where every number, text and list of a JSON document is within bounds.

    Raises BrokenPlan that names the field otherwise; `what` is what the document is, such as 'the capture'.
    """
    waiting: list[tuple[Any, tuple[Any, ...]]] = [(document, ())]
    while waiting:
        value, path = waiting.pop()
        if isinstance(value, dict | list):
            if len(value) > MOST_ENTRIES:
                raise _broken(what, f"holds more than {MOST_ENTRIES:,} entries", path)
            if _depth(path) >= DEEPEST:
                raise _broken(what, f"nests more than {DEEPEST:,} levels deep", path)
            pairs: Any = value.items() if isinstance(value, dict) else enumerate(value)
            for key, below in pairs:
                trouble = _trouble(key) if isinstance(key, str) else None
                trouble = trouble or _trouble(below)
                if trouble is not None:
                    raise _broken(what, trouble, (path, key))
                if isinstance(below, dict | list):
                    waiting.append((below, (path, key, _depth(path) + 1)))


def _trouble(value: Any) -> str | None:
    if isinstance(value, str):
        if len(value) > MOST_TEXT:
            return f"is longer than {MOST_TEXT:,} characters"
        if "\0" in value:
            return "holds a NUL character, which PostgreSQL has in no text"
        if not value.isascii() and any("\ud800" <= c <= "\udfff" for c in value):
            return "holds half of a character (a lone surrogate)"
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    if isinstance(value, int):
        return None if -_MOST_WHOLE <= value <= _MOST_WHOLE else "is a number of more than 64 bits"
    if not math.isfinite(value):
        return "is no finite number"
    if abs(value) > MOST:
        return f"is larger than {MOST:g}"
    return f"is nearer to 0 than {LEAST:g}" if 0 < abs(value) < LEAST else None


def _depth(path: tuple[Any, ...]) -> int:
    return int(path[2]) if len(path) > 2 else 0


def _broken(what: str, trouble: str, path: tuple[Any, ...]) -> BrokenPlan:
    keys: list[str] = []
    while path:
        keys.append(str(path[1])[:80])
        path = path[0]
    where = " > ".join(reversed(keys[:12])) or "the whole"
    return BrokenPlan(f"a value of {what} {trouble}", where=where, hint="capture it again, or correct this value")
