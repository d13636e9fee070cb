"""One side of a comparison: a database in which queries are planned and run, with or without a change."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field, replace
from typing import Any

from rowreckon.auditing import audit_capture
from rowreckon.capture import Capture
from rowreckon.document.audit import Plan
from rowreckon.errors import BrokenPlan
from rowreckon.joins.facts.misestimated import misestimated_joins
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.plan.document import parse_document
from rowreckon.plan.same import AsRun, as_run
from rowreckon.plan.tree import lay_out
from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.permission import Limits, SafetyPermission
from rowreckon.server.executing.alternatives import planner_alternatives
from rowreckon.server.executing.execute import Executor, QueryRun
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.sweeping.captured import capture_of_run, with_facts
from rowreckon.server.trials.staying import ConnectionLost
from rowreckon.trial.plan_words import join_order
from rowreckon.trial.times import Times


@dataclass(frozen=True, slots=True)
class Planned:
    """A query's plan, not run: its shape, or why there is none; `relations` are what planning locked, by oid."""

    shape: AsRun | None
    reason: str | None = None
    relations: frozenset[int] | None = None


@dataclass(slots=True)
class Runs:
    """All runs of one query on one side."""

    ms: list[float] = field(default_factory=list)
    limit_ms: float | None = None
    reason: str | None = None
    filled_ms: list[float] = field(default_factory=list)
    """What filling its temporary tables took of each run that counts."""
    last: QueryRun | None = None
    capture: Capture | None = None
    """The last run with the facts of its database, where its joins are to be judged."""

    @property
    def failed(self) -> bool:
        """Whether it makes no sense to run it again."""
        return self.reason is not None or self.limit_ms is not None

    def add(self, run: QueryRun) -> None:
        """Count a run."""
        self.ms.append(execution_ms(run))
        if run.item.fillings:
            self.filled_ms.append(run.filled_ms)

    def times(self) -> Times:
        """The times for comparing."""
        return Times(tuple(self.ms), self.limit_ms)


@dataclass(slots=True)
class Stage:
    """Plans and runs items over one connection."""

    connection: Connection
    permission: SafetyPermission
    limits: Limits
    _planner: Executor = field(init=False)
    _runner: Executor = field(init=False)

    def __post_init__(self) -> None:
        # what writes is planned as well, in a read-only transaction
        writing = replace(self.permission, writes=True)
        self._planner = Executor(self.connection, writing, self.limits, notes_relations=True)
        self._runner = Executor(self.connection, self.permission, self.limits, timing=False)

    def plan(self, item: QueryItem) -> Planned:
        """Plan an item without running it. Raises ConnectionLost."""
        run = self._planner.look(item)
        if run.lost:
            raise ConnectionLost(f"the connection to the server was lost: {run.reason}")
        if run.planned is None:
            return Planned(None, run.reason)
        return Planned(as_run(run.planned[0]["Plan"]), relations=run.relations)

    def run(self, item: QueryItem, runs: Runs, limit_ms: float, *, counts: bool = True) -> None:
        """Run an item once more; a run that does not count warms up. Raises ConnectionLost."""
        limit = int(max(limit_ms, 1))
        own = self.limits.statement_ms
        limits = replace(self.limits, statement_ms=min(limit, own) if own else limit)
        run = self._runner.run(item, limits=limits)
        if run.outcome == "ran":
            runs.last = run
            if counts:
                runs.add(run)
        elif run.outcome == "timed_out" and run.sqlstate == "57014":
            runs.limit_ms = float(limits.statement_ms)
            runs.reason = run.reason
        else:
            runs.reason = run.reason or f"it was {run.outcome}"
            if run.lost:
                raise ConnectionLost(f"the connection to the server was lost: {run.reason}")

    def count(self, item: QueryItem, limit_ms: float) -> int | str:
        """The single number that a query gives, read-only, or why none came; planned first, as whatever is run.

        Raises ConnectionLost.
        """
        planned = self.plan(item)
        if planned.shape is None:
            return planned.reason or "it could not be planned"
        found: list[int] = []
        own = self.limits.statement_ms
        limit = min(int(max(limit_ms, 1)), own or sys.maxsize)
        limits = replace(self.limits, statement_ms=limit)
        ending = self._runner.attempt(
            item, limits, lambda inside: found.append(inside.count(item.text, limit)), planning=True
        )
        if ending.lost:
            raise ConnectionLost(f"the connection to the server was lost: {ending.reason}")
        return found[0] if found else ending.reason or "it gave no number"

    def gather(self, item: QueryItem, runs: Runs, threshold: float) -> None:
        """Add what a sweep adds to a run: the catalog's facts, the planner's plans for what is still misestimated."""
        if runs.last is None or runs.last.document is None or self.connection.closed:
            return
        capture = capture_of_run(runs.last)
        if capture.explain is None:
            return
        joins = misestimated_joins(reckoned_of(capture), threshold=threshold)
        if joins:
            found, _ = planner_alternatives(self._planner, item, {j.method for j in joins})
            capture = capture.model_copy(update={"alternatives": found})
        if not self.connection.closed:
            (runs.capture,) = with_facts(self.connection, [item], [capture])


def execution_ms(run: QueryRun) -> float:
    """The server's own execution time, that of filling its tables included; the wall clock where it prints none."""
    document: Any = run.document
    if not document or "Execution Time" not in document[0]:
        return run.elapsed_ms
    return float(document[0]["Execution Time"]) + run.filled_ms


def audited(runs: Runs, threshold: float) -> Plan | None:
    """The last run's plan, audited, from itself alone where no facts were gathered."""
    run = runs.last
    if run is None or run.document is None:
        return None
    plan, _ = audit_capture(runs.capture or capture_of_run(run), threshold=threshold)
    return plan if plan.nodes else None


def order_of(run: QueryRun | None) -> str | None:
    """The run's join order in words."""
    if run is None or run.document is None:
        return None
    try:
        return join_order(lay_out(parse_document(run.document[0]).plan))
    except BrokenPlan:
        return None


class Clock:
    """The trial's budget."""

    def __init__(self, budget_ms: float) -> None:
        """Start it."""
        self._end = time.perf_counter() + budget_ms / 1000.0

    def left_ms(self) -> float:
        """What remains, ms; never below 0."""
        return max((self._end - time.perf_counter()) * 1000.0, 0.0)
