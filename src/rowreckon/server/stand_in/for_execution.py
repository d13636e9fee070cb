"""Finding the execution of a prepared statement that a captured plan is of: its values decide what is planned.

No plan names its values, nor whether it is a generic one.  The query's own values come first, then the statement with
its parameters, then the values of its other executions, until one is planned as the source did.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from rowreckon.capture import Capture
from rowreckon.errors import RowreckonError
from rowreckon.stand_in.compare import plan_differences
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.values.executions import with_values

from .for_role import planned_for_its_role
from .planning import Planner

_MOST_TRIED: Final = 20
"""Most executions that are tried for one plan; no source."""


def planned_as_captured(
    planner: Planner, facts: StandInFacts, capture: Capture, settings: Mapping[str, str], plan: Mapping[str, Any]
) -> tuple[Planner, dict[str, Any], str]:
    """A planner for the role and the text of the query under which it is planned as in `plan`, and what that gives.

    Where nothing is planned so, the first answer. Raises StatementFailed and StatementRefused where there is none.
    """
    role = capture.session.role if capture.session is not None else None
    first: tuple[Planner, dict[str, Any], str] | None = None
    failure: RowreckonError | None = None
    for text in _texts(capture):
        try:
            found = (*planned_for_its_role(planner, facts, text, settings, plan, role), text)
        except RowreckonError as error:
            failure = failure or error
            continue
        if not plan_differences(plan, found[1]["Plan"]):
            return found
        first = first or found
    if first is None:
        assert failure is not None
        raise failure
    return first


def _texts(capture: Capture) -> Iterator[str]:
    assert capture.query is not None
    yield capture.query
    if capture.prepared is None:
        return
    yield capture.prepared
    for values in list(dict.fromkeys(capture.executions))[:_MOST_TRIED]:
        text = with_values(capture.prepared, values)
        if text is not None and text != capture.query:
            yield text
