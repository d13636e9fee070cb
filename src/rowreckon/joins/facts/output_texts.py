"""What the expressions of a node's output call: operators and functions, and which of these are aggregates.

Read by PostgreSQL's grammar; a plain column is told without it.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from rowreckon.frozen import frozen

_COMBINED = frozenset(
    (
        *("count", "sum", "avg", "min", "max", "every", "bool_and", "bool_or", "bit_and", "bit_or", "bit_xor"),
        *("stddev", "stddev_pop", "stddev_samp", "variance", "var_pop", "var_samp", "corr", "covar_pop", "covar_samp"),
        *("regr_avgx", "regr_avgy", "regr_count", "regr_intercept", "regr_r2", "regr_slope", "regr_sxx", "regr_sxy"),
        "regr_syy",
    )
)
"""Aggregates with a function that combines the states of several processes (pg_aggregate, releases 13 to 18)."""

_OF_A_COLUMN = frozenset({"Node", "ColumnRef", "String"})
_COMBINED_FROM_16 = frozenset({"string_agg", "array_agg"})


@frozen
class Calls:
    """What an expression calls: how many operators, and its functions by name; `aggregates` counts those that can be
    combined from parts, `whole` says that one of them needs all rows in one place (DISTINCT, an order)."""

    operators: int = 0
    functions: tuple[str, ...] = ()
    aggregates: int = 0
    whole: bool = False


NOTHING = Calls()


def calls_in(text: str, server_major: int) -> Calls | None:
    """What an expression calls, as EXPLAIN prints it; None where it can't be read."""
    if text.replace(".", "").replace("_", "").isalnum():
        return NOTHING
    return _read(text, server_major)


def evaluated(texts: Iterable[str], server_major: int) -> int:
    """Operators and functions that different expressions call together, each expression once."""
    different = {text.strip("() "): text for text in texts}  # grouped by, they are printed in brackets once more
    found = [calls_in(text, server_major) for text in different.values()]
    return sum(calls.operators + len(calls.functions) for calls in found if calls is not None)


@lru_cache(maxsize=4096)
def is_column(text: str) -> bool:
    """Whether an expression, as EXPLAIN prints it, is a column as it is."""
    if text.replace(".", "").replace("_", "").isalnum():
        return True
    from rowreckon.sql.expression import read_expression
    from rowreckon.sql.grammar import NotSql
    from rowreckon.sql.tree import every_message, kind_of

    try:
        return {kind_of(message) for message in every_message(read_expression(text).node)} <= _OF_A_COLUMN
    except NotSql:
        return False


@lru_cache(maxsize=1024)
def _read(text: str, server_major: int) -> Calls | None:
    from rowreckon.sql.expression import read_expression
    from rowreckon.sql.grammar import NotSql
    from rowreckon.sql.tree import every_message, kind_of

    try:
        tree = read_expression(text).node
    except NotSql:
        return None
    operators, functions, aggregates, whole = 0, [], 0, False
    for message in every_message(tree):
        kind = kind_of(message)
        if kind == "A_Expr":
            operators += 1
        elif kind == "FuncCall":
            call: object = message
            name = str(call.funcname[-1].string.sval)  # type: ignore[attr-defined]
            functions.append(name)
            combined = name in _COMBINED or (server_major >= 16 and name in _COMBINED_FROM_16)
            aggregates += combined
            ordered = call.agg_distinct or call.agg_within_group or len(call.agg_order)  # type: ignore[attr-defined]
            whole = whole or bool(ordered)
    return Calls(operators, tuple(functions), aggregates, whole)
