"""A contest: the query run with each join method in turn, because a model's verdict is a claim and a clock is a fact.

Only plans in which nothing but the join in question changed are run. The runs take turns, so that a machine that gets
busy slows all of them; the first round warms up and does not count.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any

from rowreckon.capture import Capture, Contest
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import Method
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.verdict.planner_figures import planner_figures
from rowreckon.plan.tree import lay_out
from rowreckon.server.executing.execute import Ending, Executor
from rowreckon.server.executing.spill import spilled_kb
from rowreckon.server.executing.transaction import ItemTransaction
from rowreckon.server.lists.querylist import QueryItem

_TIMED = "ANALYZE, TIMING OFF, FORMAT JSON"
_UNITS = {"kB": 1.0, "MB": 1024.0, "GB": 1024.0**2, "TB": 1024.0**3}


@dataclass(frozen=True, slots=True, kw_only=True)
class ContestRules:
    """`rounds` that count; a run is cancelled after `patience` times the executed plan's own time, at least
    `least_ms`; a plan that would write more than `temp_max_kb` to temporary files is not run."""

    rounds: int = 3
    patience: float = 5.0
    least_ms: float = 1_000.0
    temp_max_kb: float = 1024.0**2


def contest_joins(
    executor: Executor,
    item: QueryItem,
    capture: Capture,
    reckoned: ReckonedTree,
    joins: Sequence[JoinFacts],
    rules: ContestRules,
    settings: Mapping[str, str],
) -> tuple[tuple[Contest, ...], tuple[str, ...]]:
    """The contests of these joins, and notes on what was not run and why. Raises nothing but KeyboardInterrupt."""
    contests: list[Contest] = []
    notes: list[str] = []
    measured: dict[tuple[str, ...], float | None] = {}
    for facts in joins:
        rivals = _rivals(capture, reckoned, facts)
        allowed = {}
        for method, off in rivals.items():
            excess = _spills(capture, reckoned, off, settings)
            if excess > rules.temp_max_kb:
                notes.append(
                    f"the contest with the {method.replace('_', ' ')} was refused: it would write about"
                    f" {excess / 1024:,.0f} MB to temporary files, more than --temp-max"
                )
            else:
                allowed[method] = off
        if not allowed:
            continue
        wanted = [(), *allowed.values()]
        if any(off not in measured for off in wanted):
            measured.update(_race(executor, item, wanted, rules))
        times = {facts.method: measured[()], **{m: measured[off] for m, off in allowed.items()}}
        if any(value is not None for value in times.values()):
            contests.append(Contest(node=facts.node, times_ms=dict(sorted(times.items()))))
    return tuple(contests), tuple(notes)


def _rivals(capture: Capture, reckoned: ReckonedTree, facts: JoinFacts) -> dict[Method, tuple[str, ...]]:
    """Other methods, each with the switches that bring it about and change nothing else."""
    found: dict[Method, tuple[float, tuple[str, ...]]] = {}
    for alternative in capture.alternatives:
        alone = capture.model_copy(update={"alternatives": (alternative,)})
        for method, figure in planner_figures(alone, reckoned, facts).items():
            if figure.total_cost is not None and (method not in found or figure.total_cost < found[method][0]):
                found[method] = (figure.total_cost, alternative.switched_off)
    return {method: off for method, (_, off) in sorted(found.items())}


def _spills(capture: Capture, reckoned: ReckonedTree, off: tuple[str, ...], settings: Mapping[str, str]) -> float:
    plan = next(a.explain.plan for a in capture.alternatives if a.switched_off == off)
    return spilled_kb(
        lay_out(plan),
        reckoned,
        work_mem_kb=_kilobytes(settings.get("work_mem", "4MB")),
        hash_mem_multiplier=float(settings.get("hash_mem_multiplier", "1")),
    )


def _race(
    executor: Executor, item: QueryItem, plans: Sequence[tuple[str, ...]], rules: ContestRules
) -> dict[tuple[str, ...], float | None]:
    """Median execution times (ms) by the switches set to off; None for what does not end in time, or fails."""
    times: dict[tuple[str, ...], list[float]] = {off: [] for off in plans}
    out: set[tuple[str, ...]] = set()
    patience = executor.limits.statement_ms
    for round_number in range(rules.rounds + 1):
        for off in plans:
            if off in out:
                continue
            ms, ending = _once(executor, item, off, patience, rules)
            if ms is None:
                out.add(off)
                if ending.lost or not off:
                    return dict.fromkeys(plans)
                continue
            if round_number == 0 and not off:
                allowed = int(max(rules.least_ms, rules.patience * ms))
                patience = min(allowed, patience) if patience else allowed
            elif round_number:
                times[off].append(ms)
    return {off: median(times[off]) if times[off] and off not in out else None for off in plans}


def _once(
    executor: Executor, item: QueryItem, off: tuple[str, ...], limit_ms: int, rules: ContestRules
) -> tuple[float | None, Ending]:
    found: list[Any] = []

    def work(inside: ItemTransaction) -> None:
        # asked once the item's own role is in force: only a superuser may set the limit
        row = inside.connection.execute("select pg_catalog.current_setting('is_superuser')").fetchone()
        if row is not None and row[0] == "on":
            inside.set_local("temp_file_limit", f"{int(rules.temp_max_kb)}kB")
        with inside.switched(off):
            found.append(inside.explain(_TIMED))

    ending = executor.attempt(item, replace(executor.limits, statement_ms=limit_ms), work)
    return (float(found[0][0]["Execution Time"]) if found else None), ending


def _kilobytes(shown: str) -> float:
    """A size as SHOW prints it, in kB."""
    digits = shown.rstrip("kMGTB")
    return float(digits) * _UNITS.get(shown[len(digits) :], 1.0)
