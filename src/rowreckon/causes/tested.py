"""The expression whose truth a clause asks about: bare, under NOT, or under IS [NOT] TRUE, FALSE, UNKNOWN or NULL.

The planner looks up statistics of that expression as of a column (boolvarsel, booltestsel and nulltestsel in
selfuncs.c). Not so of a function called at the top of a bare clause or NOT, for which it asks the function's own
support, else takes a third (function_selectivity in plancat.c).
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from rowreckon.plan.clause import Clause

_TESTS: Final = frozenset({"", "NOT", "IS", "NOT IS", "IS NULL", "NOT IS NULL"})
_BARE: Final = frozenset({"", "NOT"})


def tested(clause: Clause) -> str | None:
    """The expression that the clause asks about, in the server's spelling; None for a comparison."""
    return _tested(clause.text) if clause.operator in _TESTS and clause.columns and not clause.subplans else None


def asks_a_function(clause: Clause) -> bool:
    """Whether a function's answer is the clause, so that statistics of the expression are not looked up."""
    return clause.operator in _BARE and bool(clause.functions) and _is_call(_tested(clause.text))


@lru_cache(maxsize=1000)
def _tested(text: str) -> str:
    from rowreckon.plan.condition_text import Cutter
    from rowreckon.sql.grammar import NotSql, scan

    try:
        cutter = Cutter(text, scan(text))
    except NotSql:
        return text
    begin, end = cutter.whole()
    while begin < end and cutter.tokens[begin].says("not"):
        begin, end = cutter.bare(begin + 1, end)
    tests = [at for at in cutter.top(begin, end) if cutter.tokens[at].says("is")]
    if tests and cutter.tokens[end - 1].says("true", "false", "unknown", "null"):
        begin, end = cutter.bare(begin, tests[-1])
    return cutter.said(begin, end)


@lru_cache(maxsize=1000)
def _is_call(text: str) -> bool:
    from rowreckon.sql.expression import read_expression
    from rowreckon.sql.grammar import NotSql

    try:
        return bool(read_expression(text).node.WhichOneof("node") == "func_call")
    except NotSql:
        return False
