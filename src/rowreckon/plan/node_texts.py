"""The expressions that a node carries: its conditions, and what it sorts, groups and caches by."""

from __future__ import annotations

from collections.abc import Iterator

from rowreckon.plan.base import PlanNode
from rowreckon.plan.clause import Clause, ColumnReference
from rowreckon.plan.conditions import parse_condition

_CONDITIONS = ("filter", "index_cond", "recheck_cond", "tid_cond", "join_filter", "hash_cond", "merge_cond")
_KEYS = ("sort_key", "group_key", "presorted_key")


def conditions_at(node: PlanNode) -> Iterator[str]:
    """The texts of the conditions that decide which rows the node hands up."""
    for key in _CONDITIONS:
        text = getattr(node, key, None)
        if isinstance(text, str):
            yield text


def clauses_at(node: PlanNode) -> Iterator[Clause]:
    """The clauses of these conditions, as far as they can be parsed."""
    for text in conditions_at(node):
        yield from parse_condition(text).clauses


def keys_at(node: PlanNode) -> Iterator[str]:
    """The texts of what the node sorts, groups and caches by."""
    for key in _KEYS:
        yield from getattr(node, key, None) or ()
    cached = getattr(node, "cache_key", None)
    if isinstance(cached, str):
        yield cached


def key_columns(text: str) -> tuple[ColumnReference, ...]:
    """The columns of what a node sorts or groups by: a plain column, or those that an expression names."""
    if " " not in text and "(" not in text:
        table, _, column = text.rpartition(".")
        return (ColumnReference(table or None, column),)
    return tuple(parse_condition(text).columns)


def ordering_key(text: str) -> str:
    """What a node sorts or groups by, without the brackets around an expression: of these a sort is printed with more
    than a grouping."""
    if "(" not in text:
        return text
    from rowreckon.plan.condition_text import strip_parentheses

    return strip_parentheses(text)
