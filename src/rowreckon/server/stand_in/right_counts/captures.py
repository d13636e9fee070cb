"""A capture with what the planner would have done had it known the row counts."""

from __future__ import annotations

from collections.abc import Mapping

from rowreckon.capture import Capture
from rowreckon.errors import RowreckonError
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.plan.document import rebuild_plan
from rowreckon.server.stand_in.forging import Allowance
from rowreckon.server.stand_in.planning import Planner
from rowreckon.server.stand_in.standing import StandIn
from rowreckon.stand_in.facts import StandInFacts

from .asking import ask_right_counts
from .counting import Count


def with_right_counts(
    capture: Capture,
    facts: StandInFacts,
    there: StandIn,
    planner: Planner,
    settings: Mapping[str, str],
    allowed: Allowance | None = None,
    count: Count | None = None,
) -> Capture:
    """The capture with what this stand-in foretells of its plan, and in its notes why where it can't be asked.

    `planner` plans for the role that the capture's plan is of, `settings` are those to plan under, `allowed` is the
    time of the whole list; `count` counts on the source what its plan did not.
    """
    if capture.query is None or capture.explain is None:
        return capture
    plan = rebuild_plan(capture.explain.plan)
    reckoned, dsn = reckoned_of(capture), there.statistics_dsn
    try:
        told = ask_right_counts(capture.query, plan, reckoned, facts, settings, dsn, planner.role, allowed, count)
    except RowreckonError as error:
        return capture.model_copy(update={"notes": (*capture.notes, error.sentence())})
    notes = (*capture.notes, *told.notes)
    return capture.model_copy(update={"right_counts": told.right_counts, "notes": notes})
