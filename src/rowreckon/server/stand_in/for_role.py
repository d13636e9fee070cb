"""Finding the role under which a captured plan came: what a role may see decides what is planned.

No plan names its role.  The one that made the capture is asked first, where it is known, else one that sees everything,
as a superuser does; then the source's roles one by one, until one plans as the source did.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from rowreckon.errors import StatementFailed
from rowreckon.stand_in.compare import plan_differences
from rowreckon.stand_in.facts import StandInFacts

from .planning import Planner
from .rights import made_roles

_MOST_TRIED: Final = 20
"""Most roles that are tried for one plan, which takes some milliseconds each."""


def planned_for_its_role(
    planner: Planner,
    facts: StandInFacts,
    query: str,
    settings: Mapping[str, str],
    plan: Mapping[str, Any],
    captured_as: str | None = None,
) -> tuple[Planner, dict[str, Any]]:
    """A planner for the role under which the query is planned as in `plan`, and what it gives.

    Where no role plans it so, the first one's answer. `captured_as` is the role that made the plan, if it is known.
    Raises StatementFailed where none can plan it, StatementRefused for what is not planned on a stand-in.
    """
    first: tuple[Planner, dict[str, Any]] | None = None
    failure: StatementFailed | None = None
    for role in _roles(facts, captured_as):
        asked = planner.for_role(role)
        try:
            document = asked.plan(query, settings)
        except StatementFailed as error:
            failure = failure or error
            continue
        if not plan_differences(plan, document["Plan"]):
            return asked, document
        first = first or (asked, document)
    if first is None:
        assert failure is not None
        raise failure
    return first


def _roles(facts: StandInFacts, captured_as: str | None) -> Iterator[str | None]:
    """None stands for all superusers."""
    limited = [role for role in made_roles(facts) if not role.superuser]
    limited.sort(key=lambda role: (role.name != captured_as, not role.current, role.name))
    names: list[str | None] = [role.name for role in limited]
    known = bool(names) and names[0] == captured_as
    names.insert(1 if known else 0, None)
    yield from names[:_MOST_TRIED]
