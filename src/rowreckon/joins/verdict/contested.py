"""What the clock said of a join, put beside the model's verdict; the verdict itself stays the model's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rowreckon.capture import Contest
from rowreckon.joins.verdict.judge import JoinVerdicts


def with_contests(verdicts: JoinVerdicts, contests: Sequence[Contest]) -> JoinVerdicts:
    """The verdicts with `contest` filled in for the joins that had one: median ms by method, and `timed_out`."""
    by_node = {contest.node: contest for contest in contests}
    if not by_node:
        return verdicts
    joins = []
    for join in verdicts.joins:
        contest = by_node.get(join.node)
        if contest is not None:
            told: dict[str, float | bool | None] = {**contest.times_ms}
            told["timed_out"] = None in contest.times_ms.values()
            join = join.model_copy(update={"contest": told})
        joins.append(join)
    return replace(verdicts, joins=tuple(joins))
