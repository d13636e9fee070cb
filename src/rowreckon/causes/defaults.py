"""Selectivities that the planner falls back on where it has no statistics, and whether an estimate betrays them.

Constants: selfuncs.h (DEFAULT_EQ_SEL, DEFAULT_INEQ_SEL, …) and the estimators' own; the ratios were read from live
servers of 13 to 18 on a table with a row count and without column statistics.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rowreckon.causes.clause_kinds import kind_of
from rowreckon.causes.tested import asks_a_function, tested

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation
    from rowreckon.plan.conditions import Clause

EQUALITY = 0.005
INEQUALITY = 1 / 3
RANGE_PAIR = 0.005
PREFIX = 0.005
PATTERN = 0.04
FLAG = 0.5
DISTINCT = 200.0
"""Groups, and distinct join keys, assumed without statistics (DEFAULT_NUM_DISTINCT)."""


def default_selectivity(clauses: Sequence[Clause], relation: Relation | None = None) -> float | None:
    """The product of the defaults for these clauses; None where one of them has no known default."""
    product = 1.0
    bounds: dict[str, int] = {}
    for clause in clauses:
        kind = kind_of(clause, relation)
        if kind == "range" and clause.operator != "BETWEEN" and clause.left_column is not None:
            bounds[str(clause.left_column)] = bounds.get(str(clause.left_column), 0) + 1
            continue
        single = _single(clause, kind)
        if single is None:
            return None
        product *= single
    for number in bounds.values():
        # A lower and an upper bound on one column are one range.
        product *= INEQUALITY if number == 1 else RANGE_PAIR
    return product


def _single(clause: Clause, kind: str) -> float | None:
    operator = clause.operator
    if operator in ("=", "IS NULL"):
        return 1 - EQUALITY if operator == "IS NULL" and "NOT NULL" in clause.text.upper() else EQUALITY
    if operator == "<>":
        return 1 - EQUALITY
    if operator in ("<", "<=", ">", ">="):
        return INEQUALITY
    if operator == "= ANY":
        return min(EQUALITY * _listed(clause.text), 1.0)
    if operator == "LIKE":
        return PATTERN if _starts_open(clause.right_text) else PREFIX
    if operator in ("ILIKE", "~", "~*"):
        return PATTERN
    if operator in ("", "NOT") and asks_a_function(clause):
        return INEQUALITY if operator == "" else 1 - INEQUALITY
    if kind == "flag" or tested(clause) is not None:
        return FLAG
    return None


def _listed(text: str) -> int:
    inside = text.partition("{")[2].partition("}")[0]
    return inside.count(",") + 1 if inside else 10


def _starts_open(pattern: str) -> bool:
    return pattern.lstrip("('E").startswith(("%", "_"))


def betrays(estimate: float, rows: float, selectivity: float, *, exactly: bool) -> bool:
    """Whether an estimate is `selectivity` of `rows`: to the rounding where `rows` is the planner's own total, else
    within a factor of two, which a table that grew or shrank since leaves open."""
    expected = max(rows * selectivity, 1.0)
    if exactly:
        return abs(estimate - expected) <= max(0.51, 0.012 * expected)
    return expected / 2 <= estimate <= expected * 2
