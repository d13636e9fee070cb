"""A stand-in's answer to EXPLAIN: who reads it goes down level by level, so a plan of too many levels is refused."""

from __future__ import annotations

from typing import Any, Final

import psycopg
from psycopg import rows

from rowreckon.errors import StatementRefused
from rowreckon.plan.printed import printed_levels

_MOST_LEVELS: Final = 200
"""Most levels of a plan: a reader takes up to three frames of the interpreter's thousand for each."""


def plan_document(cursor: psycopg.Cursor[rows.TupleRow]) -> dict[str, Any]:
    """The one document of FORMAT JSON that a statement gave. Raises psycopg.Error, and StatementRefused."""
    try:
        row = cursor.fetchone()
    except RecursionError:
        raise _too_deep() from None
    assert row is not None
    found: dict[str, Any] = row[0][0] if isinstance(row[0], list) else row[0]
    if printed_levels(found["Plan"]) > _MOST_LEVELS:
        raise _too_deep()
    return found


def _too_deep() -> StatementRefused:
    return StatementRefused(
        f"the stand-in's plan of the query has more than {_MOST_LEVELS} levels", hint="nest fewer subqueries"
    )
