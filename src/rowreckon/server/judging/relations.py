"""Following a relation: what reading it executes, and, where the statement writes to it, what writing does."""

from __future__ import annotations

from typing import Any, Final

from rowreckon.server.judging.node_trees import FIRST_OWN
from rowreckon.server.judging.reaching import Reaching

_KINDS: Final = {"v": "view", "m": "materialized view", "f": "foreign table", "p": "partitioned table"}
_ELSEWHERE: Final = "which reaches another server, a file or a program"


def follow_relation(closure: Reaching, oid: int, facts: dict[str, Any], mode: str, through: str | None) -> None:
    """Follow it. `mode` is `written` for a target of changes, `row` where only its row type occurs, `direct` where the
    statement's own text names it."""
    if oid < FIRST_OWN:
        return
    label = f"the {_KINDS.get(facts['kind'], 'table')} {facts['schema']}.{facts['name']}"
    written = mode == "written"
    _columns(closure, facts, mode, through)
    if mode == "row":
        return
    if facts["kind"] == "f":
        closure.concern("", f"it may read {label}, {_ELSEWHERE}", through)
    for tree in (*_all(facts, "policies"), *_all(facts, "indexes"), *_all(facts, "generated")):
        closure.reach_tree(tree, label)
    for tree in _all(facts, "view"):
        closure.reach_tree(tree, label, written=written)
    for tree in (*_all(facts, "checks"), *_all(facts, "statistics"), *_all(facts, "partitioning")):
        # reading does not evaluate them for rows; the planner folds what it may
        closure.reach_tree(tree, label) if written else closure.fold_tree(tree, label)
    closure.use_classes((*_all(facts, "classes"), *_all(facts, "partition_classes")))
    for child in _all(facts, "children"):
        closure.reach("relation", child, through or label, mode)
    if written:
        _written(closure, facts, label)


def _columns(closure: Reaching, facts: dict[str, Any], mode: str, through: str | None) -> None:
    made = "made" if mode in ("row", "written") else "column"
    for name, column_type in _all(facts, "columns"):
        if mode != "direct" or closure.columns is None or name in closure.columns:
            closure.reach("type", column_type, through, made)


def _written(closure: Reaching, facts: dict[str, Any], label: str) -> None:
    for trigger in _all(facts, "triggers"):
        closure.reach("function", trigger, f"a trigger of {label}")
    for tree in (*_all(facts, "rules"), *_all(facts, "when")):
        closure.reach_tree(tree, label, written=True)
    for tree in _all(facts, "defaults"):
        closure.reach_tree(tree, label)
    for operator in _all(facts, "operators"):
        closure.reach("operator", operator, f"a constraint of {label}")
    for other in (*_all(facts, "referrers"), *_all(facts, "parents")):
        closure.reach("relation", other, label, "written")


def _all(facts: dict[str, Any], key: str) -> list[Any]:
    found: list[Any] | None = facts[key]
    return found or []
