"""Everything that is done for one item of a sweep, before the facts: its runs, the planner's own answers, contests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from rowreckon.capture import Capture
from rowreckon.joins.facts.misestimated import misestimated_joins
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.plan.tree import lay_out
from rowreckon.server.connecting.permission import Limits, SafetyPermission
from rowreckon.server.executing.alternatives import planner_alternatives
from rowreckon.server.executing.contest import ContestRules, contest_joins
from rowreckon.server.executing.execute import Executor, QueryRun
from rowreckon.server.executing.probe import ProbeRules, probe
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.sweeping.captured import capture_of_run
from rowreckon.server.sweeping.key_values import key_values


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRules:
    """How a sweep goes about it.

    `total_ms` bounds the whole sweep (None: no bound); `runs` is how often each query is run, the plan with the median
    time is kept; `warm_up` runs each once more beforehand; `alternatives` asks the planner about misestimated joins,
    those with a q-error of `threshold` or more; `contest` and `probe` are done only where their rules are given.
    """

    permission: SafetyPermission = field(default_factory=SafetyPermission)
    limits: Limits = field(default_factory=Limits)
    total_ms: float | None = None
    runs: int = 1
    warm_up: bool = False
    alternatives: bool = True
    threshold: float = 10.0
    contest: ContestRules | None = None
    probe: ProbeRules | None = None
    with_values: bool = False


@dataclass(frozen=True, slots=True)
class Measured:
    """An item's capture, still without facts; `lost` says that the connection is gone."""

    capture: Capture
    lost: bool = False


def measure(executor: Executor, item: QueryItem, rules: SweepRules, *, left_ms: float | None = None) -> Measured:
    """Run one item and ask what goes with it; `left_ms` is what remains of the sweep's total time."""
    limits, cut = _within(rules.limits, left_ms)
    runs = _runs(executor, item, rules, limits)
    ran = sorted((r for r in runs if r.outcome == "ran"), key=_execution_ms)
    best = ran[(len(ran) - 1) // 2] if ran else runs[-1]
    capture = capture_of_run(best).model_copy(
        update={
            "captured_at": datetime.now(UTC).isoformat(timespec="seconds"),
            "runs_ms": tuple(_execution_ms(r) for r in runs if r.outcome == "ran"),
        }
    )
    if best.outcome == "timed_out" and cut and best.sqlstate == "57014":
        capture = capture.model_copy(update={"reason": "the sweep's total time was spent"})
    if any(r.lost for r in runs):
        return Measured(capture, lost=True)
    if best.outcome == "ran":
        capture = _asked(executor, item, capture, best, rules)
    elif best.outcome == "timed_out" and rules.probe is not None and capture.explain is not None:
        tree = lay_out(capture.explain.plan)
        capture = capture.model_copy(update={"probes": probe(executor, item, tree, rules.probe)})
    return Measured(capture, lost=bool(executor.connection.closed))


def _within(limits: Limits, left_ms: float | None) -> tuple[Limits, bool]:
    """The limits with what remains of the total time, and whether that is what binds."""
    if left_ms is None or (0 < limits.statement_ms <= left_ms):
        return limits, False
    return replace(limits, statement_ms=max(int(left_ms), 1)), True


def _runs(executor: Executor, item: QueryItem, rules: SweepRules, limits: Limits) -> list[QueryRun]:
    """All counted runs; one that does not end well ends the series."""
    if rules.warm_up:
        first = executor.run(item, limits=limits)
        if first.outcome != "ran":
            return [first]
    done: list[QueryRun] = []
    for _ in range(max(rules.runs, 1)):
        done.append(executor.run(item, limits=limits))
        if done[-1].outcome != "ran":
            break
    return done


def _execution_ms(run: QueryRun) -> float:
    document = run.document
    return float(document[0].get("Execution Time", run.elapsed_ms)) if document else run.elapsed_ms


def _asked(executor: Executor, item: QueryItem, capture: Capture, run: QueryRun, rules: SweepRules) -> Capture:
    """The capture with the planner's alternatives for its misestimated joins, and their contests if wanted."""
    if capture.explain is None or not (rules.alternatives or rules.contest):
        return capture
    reckoned = reckoned_of(capture)
    joins: Sequence[JoinFacts] = misestimated_joins(reckoned, threshold=rules.threshold)
    if not joins:
        return capture
    found, ending = planner_alternatives(executor, item, {j.method for j in joins})
    values = () if ending.lost else key_values(executor, item, reckoned.tree, joins)
    capture = capture.model_copy(update={"alternatives": found, "key_values": values})
    if ending.reason is not None:
        note = f"the planner could not be asked about other join methods: {ending.reason}"
        return capture.model_copy(update={"notes": (*capture.notes, note)})
    if rules.contest is None:
        return capture
    contests, notes = contest_joins(executor, item, capture, reckoned, joins, rules.contest, run.settings or {})
    return capture.model_copy(update={"contests": contests, "notes": (*capture.notes, *notes)})
