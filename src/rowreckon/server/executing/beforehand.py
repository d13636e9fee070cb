"""What a list's queries may run on the word of a declaration alone, said before any of them runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.permission import Limits, SafetyPermission
from rowreckon.server.executing.execute import Executor, refusal_of
from rowreckon.server.lists.querylist import QueryItem


def named_beforehand(
    connection: Connection, items: Sequence[QueryItem], permission: SafetyPermission, limits: Limits
) -> tuple[str, ...]:
    """Functions in procedural languages, declared immutable or stable, that the permitted items may run. Sends nothing
    of the items; what can't be judged is left to its own turn."""
    groups: dict[tuple[str, ...], list[QueryItem]] = {}
    for item in items:
        if refusal_of(item, permission) is None:
            groups.setdefault(item.settings, []).append(item)
    executor = Executor(connection, replace(permission, volatile=False), limits)
    found: set[str] = set()
    for group in groups.values():
        for verdict in executor.judge_all(group):
            if verdict.harmless or permission.volatile:
                found.update(verdict.named)
    return tuple(sorted(found))
