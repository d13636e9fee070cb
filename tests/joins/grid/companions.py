"""Plans of one database, each judged alone and with others that were drawn at random from the same database's queries.

What right estimates would bring is the server's own word: the plan of the same query with its estimate made right, and
what the other methods cost there. Where they cost the same within the planner's 1%, a method is taken by tie rules,
which is left out of what is called right or wrong.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import psycopg

from rowreckon import auditing
from rowreckon.capture import Capture
from rowreckon.document.audit import Join
from rowreckon.joins.facts.sides import METHODS
from rowreckon.plan import lay_out
from rowreckon.plan.tree import PlanTree

from .cases import Case
from .measure import FUZZ, SWITCHES, Measured, against, apply_settings, explained, method_over, settings_for, sides_of

COMPANIONS = 20
_WRONGLY_HELD = 1.1
"""From how many times the cost of the method that the server takes with right estimates on a `held` is wrong."""


@dataclass(frozen=True)
class Truth:
    """The method that right estimates bring at a join, and what each other costs over it (None: not comparable)."""

    method: str
    costs: dict[str, float | None]


@dataclass(frozen=True)
class Shown:
    """One plan, and the truth of those of its joins of which the server tells it, by node."""

    capture: Capture
    truths: dict[int, Truth]


@dataclass
class Score:
    """Joins with an error of ten or more: how many there are, and are decided; and what was right of that."""

    joins: int = 0
    decided: int = 0
    crossed: int = 0
    rightly_crossed: int = 0
    held: int = 0
    rightly_held: int = 0
    wrong: list[str] = field(default_factory=list)

    def line(self, name: str) -> str:
        """One row of the table."""
        return (
            f"{name:<9} decided {self.decided}/{self.joins} ({self.decided / max(self.joins, 1):.1%}),"
            f" crossed right {self.rightly_crossed}/{self.crossed}, held right {self.rightly_held}/{self.held}"
        )

    def add(self, other: Score) -> None:
        """Take in another server's."""
        self.joins += other.joins
        self.decided += other.decided
        self.crossed += other.crossed
        self.rightly_crossed += other.rightly_crossed
        self.held += other.held
        self.rightly_held += other.rightly_held
        self.wrong += other.wrong


def show(connection: psycopg.Connection[Any], cases: Iterable[Case]) -> list[Shown]:
    """Run each case's query as a person would capture it, and ask the server what right estimates bring."""
    found: list[Shown] = []
    for case in cases:
        with connection.transaction(force_rollback=True):
            apply_settings(connection, settings_for(case.settings, connection))
            try:
                with connection.transaction():
                    document = explained(connection, case.query, "analyze, buffers, verbose, timing off, ")
            except psycopg.errors.QueryCanceled:
                continue
            tree = lay_out(document.plan)
            right = lay_out(explained(connection, case.right).plan)
            truths = {n: t for n in tree.joins() if (t := _truth(connection, case, tree, right, n)) is not None}
        capture = Capture(
            name=f"{len(found)}",
            query=case.query,
            server_version=connection.info.server_version,
            settings=document.settings,
            explain=document,
        )
        found.append(Shown(capture, truths))
    return found


def _truth(
    connection: psycopg.Connection[Any], case: Case, tree: PlanTree, right: PlanTree, number: int
) -> Truth | None:
    sides = sides_of(tree, number)
    taken = method_over(right, sides, tree, number, case)
    if taken is None:
        return None
    row = Measured(case.name, sides, "plan", METHODS[tree.nodes[number].node_type], "", taken, 0.0, None)
    return Truth(taken, {m: against(connection, case, right, row, m) for m in SWITCHES if m != taken})


def scores(shown: Sequence[Shown], seed: int, threshold: float = 10.0) -> tuple[Score, Score]:
    """All plans judged alone, and each with its companions."""
    draw = random.Random(seed)
    alone, together = Score(), Score()
    for number, one in enumerate(shown):
        others = [s.capture for n, s in enumerate(shown) if n != number]
        fellows = draw.sample(others, min(COMPANIONS, len(others)))
        for score, captures in ((alone, [one.capture]), (together, [one.capture, *fellows])):
            audit = auditing.audit(captures, curves=False, one_database=True)
            plan = next(p for p in audit.plans if p.source == one.capture.name)
            q_errors = {node.id: node.q_error_low for node in plan.nodes}
            for join in plan.joins:
                truth = one.truths.get(join.node)
                if truth is not None:
                    errors = [q_errors[n] or 0.0 for n in (join.node, join.outer.node, join.inner.node)]
                    _count(score, join, truth, plan.query or "", misestimated=max(errors) >= threshold)
    return alone, together


def _count(score: Score, join: Join, truth: Truth, query: str, *, misestimated: bool) -> None:
    score.joins += misestimated
    score.decided += misestimated and join.verdict != "undecided"
    rival = join.method if truth.method != join.method else join.best_at_actual
    cost = truth.costs.get(rival or "")
    if cost is not None and cost <= FUZZ:
        return
    told = f"{join.verdict}, right estimates bring {truth.method} ({truth.costs}): {query} {join.why}"
    if join.verdict == "crossed":
        score.crossed += 1
        score.rightly_crossed += truth.method != join.method
        if truth.method == join.method:
            score.wrong.append(told)
    if join.verdict == "held":
        lost = truth.costs.get(join.method)
        right = truth.method == join.method or (lost is not None and lost < _WRONGLY_HELD)
        score.held += 1
        score.rightly_held += right
        if not right:
            score.wrong.append(told)
