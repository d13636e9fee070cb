"""Trials of the second bench's faults: by the trial's own measuring, its first set slows no query of the list."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

from rowreckon import releases
from rowreckon.document.audit import Audit, SideEffect, TrialQuery
from tests.second_faults.asking import answer
from tests.second_faults.bench import FAULTS
from tests.second_faults.model import Fault
from tests.second_faults.sessions import seeded
from tests.servers.fixtures import Servers

SLOWER: Final = 1.2

pytestmark = pytest.mark.full


def slowed(audit: Audit) -> dict[str, float]:
    """The queries that the first set of changes made slower beyond 1.2 times and beyond the noise, with the factor.

    Where no set was tried, the first change that helped is one; a change that the trial itself calls harmful is none.
    """
    together = audit.trials.combination if audit.trials is not None else None
    if together is None:
        helped = [(r.trial, r.side_effects) for r in audit.remedies if r.trial and r.trial.verdict == "helped"]
        if not helped:
            return {}
        alone, effects = helped[0]
        measured: tuple[SideEffect | TrialQuery, ...] = (*effects, *alone.queries)
    else:
        measured = (*together.side_effects, *together.trial.queries)
    factors = {
        each.query: each.after_ms / each.before_ms
        for each in measured
        if each.time == "slower" and not each.within_noise and each.before_ms and each.after_ms
    }
    return {query: factor for query, factor in factors.items() if factor > SLOWER}


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_the_first_set_of_a_trial_slows_no_query(servers: Servers, fault: Fault, tmp_path: Path) -> None:
    with seeded(servers(releases.NEWEST).dsn, fault) as dsn:
        told = answer("trial", dsn, fault, tmp_path)

    print(f"\n{fault.name}: {[(r.kind, r.trial.verdict if r.trial else None) for r in told.audit.remedies]}")
    assert slowed(told.audit) == {}
