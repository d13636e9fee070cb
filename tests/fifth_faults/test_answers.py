"""The product's answers on the fifth bench, held to the bars of the second; `-s` prints the report, case by case.

`-k 'one_fault and gate'` asks a single case again.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from rowreckon import releases
from tests.second_faults.judging import Judged, TrapJudged, judged, trap_judged
from tests.second_faults.model import Fault, Trap
from tests.second_faults.scoring import calibration_error, report, share, statements
from tests.servers.fixtures import Servers

from .bench import FAULTS, TRAPS

pytestmark = pytest.mark.full

MAJORS: Final = (16, releases.NEWEST)
CAUSE_FIRST: Final = 0.95
FIRST_HELPS: Final = 0.95
CALIBRATION: Final = 0.05


@dataclass(frozen=True)
class Answers:
    """What the product said of every case on one release."""

    faults: tuple[Judged, ...]
    traps: tuple[TrapJudged, ...]


@pytest.fixture(scope="module", params=MAJORS, ids=lambda major: f"pg{major}")
def answers(request: pytest.FixtureRequest, servers: Servers, tmp_path_factory: pytest.TempPathFactory) -> Answers:
    server, folder = servers(request.param).dsn, tmp_path_factory.mktemp("lists")
    faults: list[Judged] = []
    traps: list[TrapJudged] = []
    for fault in FAULTS:
        faults.append(judged(server, fault, folder))
        print(faults[-1].line, flush=True)
    for trap in TRAPS:
        traps.append(trap_judged(server, trap, folder))
        print(traps[-1].line, flush=True)
    print(f"\n{report(request.param, faults, traps)}\n")
    return Answers(tuple(faults), tuple(traps))


def test_the_right_cause_comes_first(answers: Answers) -> None:
    assert share([each.right for each in answers.faults]) >= CAUSE_FIRST


def test_the_first_remedy_helps(answers: Answers) -> None:
    """Where nothing is offered, nothing helps, unless no statistics can or the error changed no join."""
    assert share([bool(each.helped) for each in answers.faults if each.counts]) >= FIRST_HELPS


def test_nothing_that_hurts_comes_first(answers: Answers) -> None:
    assert [(each.fault.name, each.remedy) for each in answers.faults if not each.kept_off] == []


def test_nobody_is_slowed_without_a_word(answers: Answers) -> None:
    assert [(each.fault.name, each.unsaid) for each in answers.faults if each.unsaid] == []


def test_every_trap_is_avoided(answers: Answers) -> None:
    assert [(each.trap.name, each.offered) for each in answers.traps if not each.avoided] == []


def test_the_stated_confidence_is_kept(answers: Answers) -> None:
    assert calibration_error(statements(answers.faults, answers.traps)) <= CALIBRATION


@pytest.mark.parametrize("major", MAJORS, ids=lambda major: f"pg{major}")
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_one_fault(servers: Servers, tmp_path: Path, fault: Fault, major: int) -> None:
    """The right cause comes first, and what comes first helps and is nothing that must not come first."""
    came = judged(servers(major).dsn, fault, tmp_path)
    assert came.right, came.line
    assert came.kept_off, came.line
    assert came.helped or not came.counts, came.line


@pytest.mark.parametrize("major", MAJORS, ids=lambda major: f"pg{major}")
@pytest.mark.parametrize("trap", TRAPS, ids=lambda trap: trap.name)
def test_one_trap(servers: Servers, tmp_path: Path, trap: Trap, major: int) -> None:
    came = trap_judged(servers(major).dsn, trap, tmp_path)
    assert came.avoided, came.line
