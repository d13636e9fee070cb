"""Join clauses about which the planner can't be asked one by one: an OR over both sides, ranges that overlap, arrays
that contain one another, `<>`, LIKE. No hash table and no order serves them, so that each method filters by them.

The pair of relations was asked about with all its clauses. What the clauses with figures of their own leave of that is
what the others keep together.
Source: clauselist_selectivity in optimizer/path/clausesel.c, which multiplies the clauses' shares.
"""

from __future__ import annotations

from math import prod
from typing import TYPE_CHECKING

from rowreckon.cost.selectivity import WHOLE_SCAN
from rowreckon.joins.facts.inputs import ClauseInput, KeyInput
from rowreckon.plan.conditions import parse_condition

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.join_at_hand import JoinAtHand


def with_unasked(
    case: JoinAtHand, known: CatalogFacts, given: Sequence[ClauseInput | None]
) -> tuple[ClauseInput, ...] | None:
    """All of a join's clauses, in place of the missing ones what the pair's own estimate leaves for them; None where a
    missing one may find rows by itself, or the pair was not asked about."""
    clauses = case.facts.clauses
    missing = [clause for clause, figures in zip(clauses, given, strict=True) if figures is None]
    if not missing:
        return tuple(figures for figures in given if figures is not None)
    sides = _sides(case, known)
    if sides is None or any(clause.place != "filter" or clause.is_equality for clause in missing):
        return None
    together = _together(known, frozenset(sides))
    told = prod(figures.selectivity for figures in given if figures is not None)
    if together is None or told <= 0.0:
        return None
    share = min(together / told, 1.0)
    found: list[ClauseInput] = []
    for clause, figures in zip(clauses, given, strict=True):
        if figures is not None:
            found.append(figures)
            continue
        outer, inner = (_key(alias, clause.text, known) for alias in sides)
        calls = known.evaluated(clause.text)
        found.append(ClauseInput(clause.operator, share, None, outer, inner, False, False, WHOLE_SCAN, calls))
        share = 1.0  # the first of them stands for all
    return tuple(found)


def _sides(case: JoinAtHand, known: CatalogFacts) -> tuple[str, str] | None:
    """The aliases that all of a join's clauses compare, the outer one first; None where there are more of them."""
    named = {
        c.table for clause in case.facts.clauses for part in parse_condition(clause.text).clauses for c in part.columns
    }
    if len(named) != 2 or None in named:
        return None
    outer = set(case.reckoned.tree.subtree(case.facts.outer.node))
    found = sorted((alias for alias in named if alias is not None), key=lambda alias: known.scan_of(alias) not in outer)
    return found[0], found[1]


def _together(known: CatalogFacts, aliases: frozenset[str]) -> float | None:
    """The share of the pairs of two relations' rows that all clauses between them keep."""
    for pair in known.catalog.join_pairs:
        if frozenset({pair.left_alias, pair.right_alias}) == aliases:
            return pair.selectivity
    return None


def _key(alias: str, text: str, known: CatalogFacts) -> KeyInput:
    relation = known.by_alias(alias)
    rows, tuples = (0.0, 0.0) if relation is None else (relation.rows, relation.size.tuples)
    return KeyInput(alias, text, None, None, relation_rows=rows, relation_tuples=tuples)
