"""Adding a live server's facts, and the planner's own answers, to plans that came from elsewhere.

Nothing of a plan is executed, and nothing of its text reaches the server but trees of its conditions that were checked
and printed; the server is asked to plan only what PostgreSQL's own functions make up (`catalog/own_code.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from rowreckon.capture import NOT_ASKED, WITHOUT_FACTS, Capture
from rowreckon.catalog.drift import drift_notes
from rowreckon.errors import RowreckonError
from rowreckon.joins.facts.misestimated import misestimated_joins
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.plan.tree import lay_out
from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.connecting.plan_settings import setting_statements_of
from rowreckon.server.executing.alternatives import planner_alternatives
from rowreckon.server.executing.execute import Executor
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.sweeping.captured import facts_under


def add_facts(
    connection: Connection,
    captures: Sequence[Capture],
    statements: Sequence[str],
    *,
    threshold: float,
    item: QueryItem | None = None,
    with_values: bool = False,
) -> list[Capture]:
    """The captures with this server's catalog facts, as a session with these SET LOCAL statements sees them.

    The planner's settings that a plan prints are put in force for it. `item` is the query of the one plan: the planner
    is then asked about other methods for its misestimated joins. Where the plan's figures disagree with today's facts,
    its notes say so; where facts cannot be read, or the query may not be planned, they say why.
    """
    out = list(captures)
    groups: dict[tuple[tuple[str, str], ...], list[int]] = {}
    for number, capture in enumerate(out):
        if capture.explain is not None:
            groups.setdefault(tuple(sorted((capture.settings or {}).items())), []).append(number)
    for settings, numbers in groups.items():
        trees = [lay_out(explain.plan) for n in numbers if (explain := out[n].explain) is not None]
        try:
            catalogs = facts_under(
                connection, statements, trees, trust="file", plan_settings=dict(settings), with_values=with_values
            )
        except RowreckonError as error:
            for number in numbers:
                out[number] = _noted(out[number], f"{WITHOUT_FACTS}{error.sentence()}")
            continue
        for number, tree, catalog in zip(numbers, trees, catalogs, strict=True):
            version = out[number].server_version
            if version is not None and version // 10000 != catalog.server_version // 10000:
                note = f"the plan is of PostgreSQL {version // 10000}, the facts of {catalog.server_version // 10000}"
                out[number] = _noted(out[number], note)
            update: dict[str, Any] = {"catalog": catalog, "server_version": version or catalog.server_version}
            out[number] = _noted(out[number].model_copy(update=update), *drift_notes(tree, catalog))
    if item is not None:
        out = [_asked(connection, capture, item, statements, threshold) for capture in out]
    return out


def _asked(
    connection: Connection, capture: Capture, item: QueryItem, statements: Sequence[str], threshold: float
) -> Capture:
    """The capture with the planner's alternatives, if the planner still makes the plan that was pasted."""
    if capture.explain is None:
        return capture
    inside = replace(item, settings=(*statements, *setting_statements_of(capture.settings or {}), *item.settings))
    # planned only, in read-only transactions, and only what may call nothing; what writes can be planned as well
    executor = Executor(connection, SafetyPermission(writes=True), nothing_runs=True)
    today = executor.look(inside)
    root = capture.explain.plan
    capture = capture.model_copy(update={"query": capture.query or item.written or item.text})
    if today.planned is None:
        return _noted(capture, f"{NOT_ASKED}{today.reason} (line {item.line} of its list)")
    now = today.planned[0]["Plan"]
    printed, cost = float(root.total_cost or 0), float(now["Total Cost"])
    if root.node_type != now["Node Type"] or abs(printed - cost) > 0.01 * max(printed, cost):
        return _noted(
            capture,
            f"the planner makes another plan of this query today: {now['Node Type']} at a cost of {cost:,.2f}, where"
            f" the plan prints {root.node_type} at {printed:,.2f}. It was not asked about other join methods",
        )
    joins = misestimated_joins(reckoned_of(capture), threshold=threshold)
    if not joins:
        return capture
    found, ending = planner_alternatives(executor, inside, {j.method for j in joins})
    capture = capture.model_copy(update={"alternatives": found})
    if ending.reason is None:
        return capture
    return _noted(capture, f"{NOT_ASKED}{ending.reason}")


def _noted(capture: Capture, *notes: str) -> Capture:
    return capture.model_copy(update={"notes": (*capture.notes, *notes)})
