"""Conditions as EXPLAIN prints them, parsed into clauses, column references and operators.

Many conditions only compare plain columns, and are read without PostgreSQL's grammar, which takes a tenth of a second
to load; everything else goes through it. A text that cannot be parsed stays a text, and `parsed` says so.
"""

from __future__ import annotations

from functools import lru_cache

from rowreckon.plan.clause import Clause, ColumnReference, Condition
from rowreckon.plan.plain_condition import plain_clauses

__all__ = ["Clause", "ColumnReference", "Condition", "parse_condition"]

_MAX_PARSED_LENGTH = 20_000  # a list of thousands of constants tells nothing more; its text is kept whole


@lru_cache(maxsize=20_000)
def parse_condition(text: str) -> Condition:
    """The clauses of one condition's text. Never raises: what cannot be parsed comes back with `parsed` False.

    Pure; remembers its results, since the same text stands on many nodes and in many plans.
    """
    if len(text) > _MAX_PARSED_LENGTH:
        return Condition(text=text, clauses=(), parsed=False)
    clauses = plain_clauses(text)
    if clauses is None:
        from rowreckon.plan.sql_condition import sql_clauses

        clauses = sql_clauses(text)
    return Condition(text=text, clauses=clauses or (), parsed=clauses is not None)
