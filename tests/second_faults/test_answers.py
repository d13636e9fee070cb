"""The product's answers on the whole bench, on two releases, held to the bars; in every run four, drawn by lot."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeVar

import pytest

from rowreckon import releases
from tests.servers.fixtures import Servers

from .bench import FAULTS, SAMPLE, TRAPS
from .judging import Judged, TrapJudged, judged, trap_judged
from .model import Fault
from .scoring import calibration_error, report, share, statements

MAJORS: Final = (16, releases.NEWEST)
CAUSE_FIRST: Final = 0.95
FIRST_HELPS: Final = 0.95
CALIBRATION: Final = 0.05

Came = TypeVar("Came", Judged, TrapJudged)


@dataclass(frozen=True)
class Bench:
    """All answers of one release."""

    faults: tuple[Judged, ...]
    traps: tuple[TrapJudged, ...]


@pytest.mark.parametrize("fault", SAMPLE, ids=lambda fault: fault.name)
def test_a_fault_drawn_by_lot_is_found_and_mended(servers: Servers, fault: Fault, tmp_path: Path) -> None:
    """The right cause comes first, and doing what comes first takes the error away."""
    came = judged(servers(releases.NEWEST).dsn, fault, tmp_path)

    assert came.right, (came.cause, came.remedy)
    assert came.kept_off, came.remedy
    assert came.helped or not came.counts, (came.remedy, came.note)


def _told(came: Came) -> Came:
    """Printed as it comes: a long run shows where it is."""
    print(came.line, flush=True)
    return came


@pytest.fixture(scope="module", params=MAJORS, ids=lambda major: f"pg{major}")
def bench(request: pytest.FixtureRequest, servers: Servers, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """The whole bench on one release; its report is printed (`-s`)."""
    server, folder = servers(request.param).dsn, tmp_path_factory.mktemp("lists")
    faults = tuple(_told(judged(server, fault, folder)) for fault in FAULTS)
    traps = tuple(_told(trap_judged(server, trap, folder)) for trap in TRAPS)
    print(f"\n{report(request.param, faults, traps)}\n")
    return Bench(faults, traps)


@pytest.mark.full
def test_the_right_cause_comes_first(bench: Bench) -> None:
    assert share([each.right for each in bench.faults]) >= CAUSE_FIRST


@pytest.mark.full
def test_the_first_remedy_helps(bench: Bench) -> None:
    """Where nothing is offered, nothing helps, unless no statistics can or the error changed no join."""
    assert share([bool(each.helped) for each in bench.faults if each.counts]) >= FIRST_HELPS


@pytest.mark.full
def test_nothing_that_hurts_comes_first(bench: Bench) -> None:
    assert [each.fault.name for each in bench.faults if not each.kept_off] == []


@pytest.mark.full
def test_every_trap_is_avoided(bench: Bench) -> None:
    assert [(each.trap.name, each.offered) for each in bench.traps if not each.avoided] == []


@pytest.mark.full
def test_the_stated_confidence_is_kept(bench: Bench) -> None:
    assert calibration_error(statements(bench.faults, bench.traps)) <= CALIBRATION
