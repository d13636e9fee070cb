"""Probing a query that did not end: bounded counts of its scans and innermost joins, each under limits of its own."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import partial

from rowreckon.capture import Probe
from rowreckon.plan.tree import PlanTree
from rowreckon.server.executing.execute import Executor
from rowreckon.server.executing.probe_sql import probe_statements
from rowreckon.server.executing.transaction import ItemTransaction
from rowreckon.server.lists.querylist import QueryItem


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeRules:
    """A count stops at `most_rows` rows or after `limit_ms`; all of a query's counts together after `total_ms`."""

    most_rows: int = 1_000_000
    limit_ms: int = 5_000
    total_ms: float = 30_000.0


def probe(executor: Executor, item: QueryItem, tree: PlanTree, rules: ProbeRules) -> tuple[Probe, ...]:
    """The counts that came in time. They see the tables under the item's own role and settings.

    Row security is part of the plan's conditions already, and is applied again by the server: that changes no count.
    """
    # nothing of the item itself is run here: its prepared statements are not needed
    asked = replace(item, prepared=(), kind="query")
    statements = probe_statements(tree, most_rows=rules.most_rows)
    return bounded_counts(executor, [(number, asked, statement) for number, statement in statements], rules)


def bounded_counts(
    executor: Executor, asked: Iterable[tuple[int, QueryItem, str]], rules: ProbeRules
) -> tuple[Probe, ...]:
    """What counting statements give in time, by their numbers; each runs if its item is admitted, as that is set."""
    found: list[Probe] = []
    left = rules.total_ms
    for number, item, statement in asked:
        if left <= 0:
            break
        limit = int(min(rules.limit_ms, left))
        counted: list[int] = []

        def work(inside: ItemTransaction, statement: str, limit: int, counted: list[int]) -> None:
            counted.append(inside.count(statement, limit))

        ending, spent = executor.timed_attempt(item, partial(work, statement=statement, limit=limit, counted=counted))
        left -= spent
        if ending.lost:
            break
        if counted:
            found.append(Probe(node=number, rows=float(counted[0]), complete=counted[0] < rules.most_rows))
    return tuple(found)
