"""Judging one function: by its language, by what it declares, by what PostgreSQL's own do, by its body."""

from __future__ import annotations

from typing import Any

from rowreckon.server.connecting.guards import guarded
from rowreckon.server.judging.node_trees import FIRST_OWN
from rowreckon.server.judging.reaching import Reaching
from rowreckon.server.judging.reviewed import why_not, why_not_of_others


def judge_function(closure: Reaching, oid: int, facts: dict[str, Any], through: str | None) -> None:
    """Raise what speaks against calling it, and follow its defaults, parts, types and body."""
    label = f"{facts['schema']}.{facts['name']}"
    if oid < FIRST_OWN:
        why = why_not(facts["name"], facts["volatility"], writing=closure.writing)
        if why is not None:
            closure.concern(label, why, through)
        return
    for occurring in (*facts["arguments"], facts["result"], *(facts["state"] or ())):
        closure.reach("type", occurring, through, "made")
    closure.reach_tree(facts["defaults"], label)
    if facts["kind"] == "a":
        for part in facts["parts"] or ():
            closure.reach("function", part, through or f"the aggregate {label}")
        return
    why = why_not_of_others(facts["name"], facts["source"], facts["volatility"]) or _by_settings(facts)
    if why is not None:
        closure.concern(label, why, through)
    elif facts["language"] == "sql":
        _body(closure, facts, label)
    elif facts["language"] == "internal":
        _alias(closure, facts, label, through)
    elif facts["language"] != "c":
        closure.named.add(label)


def _by_settings(facts: dict[str, Any]) -> str | None:
    """A function may carry settings of its own."""
    for setting in facts["settings"] or ():
        name = setting.partition("=")[0]
        if guarded(name) or name == "role":
            return f"which sets {name} while it runs"
    return None


def _alias(closure: Reaching, facts: dict[str, Any], label: str, through: str | None) -> None:
    """A second name for one of PostgreSQL's own functions."""
    for name, volatility in facts["aliases"] or ():
        why = why_not(name, volatility, writing=False)
        if why is not None:
            closure.concern(label, why, through)


def _body(closure: Reaching, facts: dict[str, Any], label: str) -> None:
    if facts["body"] is not None:
        closure.reach_tree(facts["body"], label)
    else:
        closure.reach_body(facts["source"] or "", _path(closure, facts), label)


def _path(closure: Reaching, facts: dict[str, Any]) -> list[str] | None:
    """The function's own search path, as schemas; None where it takes the caller's."""
    for setting in facts["settings"] or ():
        name, _, value = setting.partition("=")
        if name == "search_path":
            own = [part.strip().strip('"').replace('""', '"') for part in value.split(",")]
            # the role's own schema is whichever role calls: the caller's path holds it as well
            return ["pg_catalog", *own, *(closure.path if "$user" in own else ())]
    return None
