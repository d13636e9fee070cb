"""The planner's own answers: the plans that it gives for a query when join methods are switched off. Nothing is run."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations
from typing import Final

from rowreckon.capture import Alternative
from rowreckon.document.audit import Method
from rowreckon.errors import RowreckonError
from rowreckon.plan.document import parse_document
from rowreckon.server.executing.execute import Ending, Executor
from rowreckon.server.executing.explain_options import planning_options
from rowreckon.server.executing.transaction import ItemTransaction
from rowreckon.server.lists.querylist import QueryItem

SWITCHES: Final[dict[Method, str]] = {
    "nested_loop": "enable_nestloop",
    "hash": "enable_hashjoin",
    "merge": "enable_mergejoin",
}


def switch_sets(methods: Iterable[Method]) -> tuple[tuple[str, ...], ...]:
    """Which switches to set to off, so that each other method gets its chance in place of each of these."""
    mine = {SWITCHES[method] for method in methods}
    names = sorted(SWITCHES.values())
    sets = [s for size in (1, 2) for s in combinations(names, size) if mine & set(s)]
    return tuple(sets)


def planner_alternatives(
    executor: Executor, item: QueryItem, methods: Iterable[Method]
) -> tuple[tuple[Alternative, ...], Ending]:
    """The plans, one for each set of switches, and how the asking ended; nothing of the query is executed."""
    found: list[Alternative] = []

    def ask(inside: ItemTransaction) -> None:
        options = planning_options(executor.connection.info.server_version)
        for off in switch_sets(methods):
            with inside.switched(off):
                document = inside.explain(options)
            try:
                explain = parse_document(document[0] if isinstance(document, list) else document)
            except RowreckonError:
                continue
            found.append(Alternative(switched_off=off, explain=explain))

    ending = executor.attempt(item, executor.limits, ask, planning=True)
    return tuple(found), ending
