"""How strictly a bar is held."""

from __future__ import annotations

import pytest


@pytest.fixture
def slack(request: pytest.FixtureRequest) -> float:
    """1 in the bar-sized run, whose benchmarks are meant to have the machine to themselves (`-m full -n 0`).

    The ordinary suite runs two test processes with servers beside them on two cores: there a benchmark only guards
    against what would be wrong on any machine, and a bar may be passed by so much.
    """
    return 1.0 if "full" in (request.config.getoption("markexpr") or "") else 1.8
