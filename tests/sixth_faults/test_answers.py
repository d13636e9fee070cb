"""The product's answers on the sixth bench, held to the bars of all; `-s` prints the report, case by case.

`-k 'one_fault and lorries'` asks a single case again.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.second_faults.bars import MAJORS, HeldToTheBars, held
from tests.second_faults.judging import trap_judged
from tests.second_faults.model import Fault, Trap
from tests.servers.fixtures import Servers

from .bench import FAULTS, TRAPS

pytestmark = pytest.mark.full


class TestAnswers(HeldToTheBars):
    """The whole bench."""

    faults, traps = FAULTS, TRAPS


@pytest.mark.parametrize("major", MAJORS, ids=lambda major: f"pg{major}")
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_one_fault(servers: Servers, tmp_path: Path, fault: Fault, major: int) -> None:
    held(servers(major).dsn, fault, tmp_path)


@pytest.mark.parametrize("major", MAJORS, ids=lambda major: f"pg{major}")
@pytest.mark.parametrize("trap", TRAPS, ids=lambda trap: trap.name)
def test_one_trap(servers: Servers, tmp_path: Path, trap: Trap, major: int) -> None:
    came = trap_judged(servers(major).dsn, trap, tmp_path)
    assert came.avoided, came.line
