"""Right counts held to cures: of the second bench's faults, which counts can be made right, and was the plan foretold.

The server decides: its plan after the bench's own cure. Faults whose cure changes no estimate are left out: those that
are cured by an index, or by saying the query otherwise.
"""

from __future__ import annotations

from typing import Final

import pytest

from rowreckon import releases
from tests.second_faults.bench import FAULTS
from tests.second_faults.model import Fault
from tests.servers.fixtures import Servers

from .right_counts import Told, told

REACHABLE: Final = 0.6
"""Share of the faults of which all counts can be made right."""
FORETOLD: Final = 0.9
"""Share of these in which the plan foretold is the plan after the cure."""


def of_estimates(fault: Fault) -> bool:
    """Whether the fault's cure changes what the planner expects, and nothing else."""
    changes = [statement.split()[:2] for statement in fault.cure]
    return fault.cured_query is None and not any("index" in words for words in changes)


@pytest.mark.full
@pytest.mark.server
@pytest.mark.parametrize("major", [16, releases.NEWEST], ids=lambda major: f"pg{major}")
def test_the_plan_foretold_is_the_plan_after_the_cure(servers: Servers, major: int) -> None:
    asked = [fault for fault in FAULTS if of_estimates(fault)]
    found: list[Told] = []
    for fault in asked:
        found.append(told(servers(major).dsn, fault, major))
        print(found[-1].line)
    reached = [each for each in found if each.reached]
    agreeing = [each for each in reached if each.agrees]
    turned = [each for each in reached if each.turns]
    print(f"{major}: {len(found)} faults, all counts right in {len(reached)}, of these {len(agreeing)} plans foretold")
    print(f"of {len(turned)} whose plan the cure changes: {sum(each.agrees for each in turned)} foretold")
    reordered = [each for each in reached if each.reorders]
    print(f"of {len(reordered)} whose order of joins it changes: {sum(each.agrees for each in reordered)} foretold")

    assert len(found) >= 30
    assert len(reached) >= REACHABLE * len(found)
    assert len(agreeing) >= FORETOLD * len(reached)
