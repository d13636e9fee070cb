"""The bars that each bench of faults is held to, and how the product is asked about all of one on a release."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Final

import pytest

from rowreckon import releases
from tests.servers.fixtures import Servers

from .judging import Judged, TrapJudged, judged, trap_judged
from .model import Fault, Trap
from .scoring import calibration_error, report, share, statements

MAJORS: Final = (16, releases.NEWEST)
CAUSE_FIRST: Final = 0.95
FIRST_HELPS: Final = 0.95
CALIBRATION: Final = 0.05


@dataclass(frozen=True)
class Answers:
    """What the product said of every case on one release."""

    faults: tuple[Judged, ...]
    traps: tuple[TrapJudged, ...]


class HeldToTheBars:
    """The tests of a whole bench, whose faults and traps a subclass names; `-s` prints the report, case by case."""

    faults: ClassVar[Sequence[Fault]]
    traps: ClassVar[Sequence[Trap]]

    @pytest.fixture(scope="class", params=MAJORS, ids=lambda major: f"pg{major}")
    @classmethod
    def answers(
        cls, request: pytest.FixtureRequest, servers: Servers, tmp_path_factory: pytest.TempPathFactory
    ) -> Answers:
        """All answers on one release; each is printed as it comes, since a bench takes minutes."""
        server, folder = servers(request.param).dsn, tmp_path_factory.mktemp("lists")
        faults: list[Judged] = []
        traps: list[TrapJudged] = []
        for fault in cls.faults:
            faults.append(judged(server, fault, folder))
            print(faults[-1].line, flush=True)
        for trap in cls.traps:
            traps.append(trap_judged(server, trap, folder))
            print(traps[-1].line, flush=True)
        print(f"\n{report(request.param, faults, traps)}\n")
        return Answers(tuple(faults), tuple(traps))

    def test_the_right_cause_comes_first(self, answers: Answers) -> None:
        assert share([each.right for each in answers.faults]) >= CAUSE_FIRST

    def test_the_first_remedy_helps(self, answers: Answers) -> None:
        """Where nothing is offered, nothing helps, unless no statistics can or the error changed no join."""
        assert share([bool(each.helped) for each in answers.faults if each.counts]) >= FIRST_HELPS

    def test_nothing_that_hurts_comes_first(self, answers: Answers) -> None:
        assert [(each.fault.name, each.remedy) for each in answers.faults if not each.kept_off] == []

    def test_nobody_is_slowed_without_a_word(self, answers: Answers) -> None:
        assert [(each.fault.name, each.unsaid) for each in answers.faults if each.unsaid] == []

    def test_every_trap_is_avoided(self, answers: Answers) -> None:
        assert [(each.trap.name, each.offered) for each in answers.traps if not each.avoided] == []

    def test_the_stated_confidence_is_kept(self, answers: Answers) -> None:
        assert calibration_error(statements(answers.faults, answers.traps)) <= CALIBRATION


def held(server: str, fault: Fault, folder: Path) -> None:
    """One fault alone: the right cause comes first, and what comes first helps and is nothing that must not."""
    came = judged(server, fault, folder)

    assert came.right, came.line
    assert came.kept_off, came.line
    assert came.helped or not came.counts, came.line
