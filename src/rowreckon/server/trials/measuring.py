"""Running a query on both sides in turn, until the runs tell the sides apart."""

from __future__ import annotations

from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.stage import Clock, Runs, Stage, execution_ms
from rowreckon.trial.times import compare

_FAST_MS, _SLOW_MS = 100.0, 5_000.0
_MORE_IF_ALIKE = 2
_SPENT = "the trial's time was spent before it could be timed"


def take_turns(
    before: Stage, item: QueryItem, after: Stage, changed: QueryItem, rules: TrialRules, clock: Clock
) -> tuple[Runs, Runs]:
    """The runs of a query without the change and of the same with it; the first of each warms up."""
    without, with_change = Runs(), Runs()
    before.run(item, without, clock.left_ms(), counts=False)
    alone_ms = execution_ms(without.last) if without.last is not None else None
    limit = clock.left_ms() if alone_ms is None else min(clock.left_ms(), patience_ms(alone_ms, rules))
    if without.limit_ms is None and without.failed:
        return without, with_change
    # where the query does not end without the change, one run with it tells enough
    after.run(changed, with_change, limit, counts=alone_ms is None)
    if without.failed or with_change.failed:
        if alone_ms is not None and not without.ms:
            without.ms.append(alone_ms)
        return without, with_change
    assert alone_ms is not None
    least = rounds_for(alone_ms, rules)
    most = rules.most_rounds * 2 if alone_ms < _FAST_MS else rules.most_rounds
    for turn in range(most):
        sides = [(before, item, without), (after, changed, with_change)]
        for stage, statement, runs in sides if turn % 2 == 0 else reversed(sides):
            stage.run(statement, runs, min(clock.left_ms(), limit) if runs is with_change else clock.left_ms())
        if without.failed or with_change.failed or clock.left_ms() <= 0:
            break
        if turn + 1 >= least and _enough(without, with_change, turn + 1 - least):
            break
    return _within_budget(without, clock), _within_budget(with_change, clock)


def _enough(without: Runs, with_change: Runs, more: int) -> bool:
    """Whether the sides are told apart, or so alike after some more rounds that their noise is left to be said."""
    compared = compare(without.times(), with_change.times())
    return compared.settled or (compared.time == "same" and more >= _MORE_IF_ALIKE)


def in_a_block(stage: Stage, item: QueryItem, rules: TrialRules, clock: Clock, limit_ms: float | None = None) -> Runs:
    """All runs of a query on one side, where the sides can't take turns."""
    runs = Runs()
    limit = clock.left_ms() if limit_ms is None else min(limit_ms, clock.left_ms())
    stage.run(item, runs, limit, counts=False)
    if runs.failed or runs.last is None:
        return _within_budget(runs, clock)
    # no second look at the other side is possible: more rounds than taking turns needs
    for _ in range(min(rounds_for(execution_ms(runs.last), rules) + 2, rules.most_rounds)):
        stage.run(item, runs, min(limit, clock.left_ms()))
        if runs.failed or clock.left_ms() <= 0:
            break
    return _within_budget(runs, clock)


def patience_ms(alone_ms: float, rules: TrialRules) -> float:
    """How long a run with the change may take."""
    return max(rules.least_ms, rules.patience * alone_ms)


def rounds_for(ms: float, rules: TrialRules) -> int:
    """Quick queries are run more often, since their times vary more; slow ones seldom, since they cost the budget."""
    if ms < _FAST_MS:
        return rules.most_rounds
    return max(rules.least_rounds - 1, 1) if ms > _SLOW_MS else rules.least_rounds


def _within_budget(runs: Runs, clock: Clock) -> Runs:
    """A run that the end of the budget cancelled says nothing about the query."""
    if runs.limit_ms is not None and clock.left_ms() <= 0:
        runs.limit_ms = None
        runs.reason = None if runs.ms else _SPENT
    return runs
