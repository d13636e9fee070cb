"""The bench itself: every fault is one, its own cure mends it, and every trap is what its source says."""

from __future__ import annotations

from collections import Counter
from typing import Final

import pytest

from rowreckon import releases
from tests.servers.fixtures import Servers

from .bench import FAULTS, SAMPLE, TRAPS
from .model import FEWER_PAGES, MENDED, MISESTIMATED, Fault, Trap
from .sessions import after, before, seeded

MAJORS: Final = (16, releases.NEWEST)


def _proven(server: str, fault: Fault) -> None:
    """The fault shows, and this bench's own cure takes it away."""
    with seeded(server, fault) as dsn:
        ill = before(dsn, fault)
        well = after(dsn, fault, fault.cure, query=fault.cured_query, place=fault.cured_place)
    if fault.measure == "pages":
        assert ill.pages >= FEWER_PAGES * well.pages, (fault.name, ill.pages, well.pages)
        return
    assert ill.q_error >= MISESTIMATED, (fault.name, ill.estimated, ill.actual)
    assert well.q_error <= MENDED, (fault.name, well.estimated, well.actual)


def test_the_bench_holds_what_it_promises() -> None:
    """At least forty faults, each cause three times, at least fifteen traps, no name twice, a source beside each."""
    assert len(FAULTS) >= 40
    assert min(Counter(fault.code for fault in FAULTS).values()) >= 3
    assert len(TRAPS) >= 15
    names = [case.name for case in (*FAULTS, *TRAPS)]
    assert len(set(names)) == len(names)
    assert all(case.source for case in (*FAULTS, *TRAPS))
    assert all(2 <= len(case.others) <= 5 for case in (*FAULTS, *TRAPS))


@pytest.mark.parametrize("fault", SAMPLE, ids=lambda fault: fault.name)
def test_a_sampled_fault_is_mended_by_its_own_cure(servers: Servers, fault: Fault) -> None:
    _proven(servers(releases.NEWEST).dsn, fault)


@pytest.mark.full
@pytest.mark.parametrize("major", MAJORS, ids=lambda major: f"pg{major}")
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_every_fault_is_mended_by_its_own_cure(servers: Servers, fault: Fault, major: int) -> None:
    _proven(servers(major).dsn, fault)


@pytest.mark.full
@pytest.mark.parametrize("major", MAJORS, ids=lambda major: f"pg{major}")
@pytest.mark.parametrize("trap", TRAPS, ids=lambda trap: trap.name)
def test_every_trap_is_one(servers: Servers, trap: Trap, major: int) -> None:
    """Where it looks off it does so, and the obvious remedy leaves it as it was."""
    with seeded(servers(major).dsn, trap) as dsn:
        seen = before(dsn, trap)
        still = after(dsn, trap, trap.useless) if trap.useless else seen
    if trap.looks_off:
        assert seen.q_error >= MISESTIMATED, (seen.estimated, seen.actual)
        assert still.q_error >= MISESTIMATED, (still.estimated, still.actual)
    if trap.useless and not trap.looks_off:
        assert still.pages * FEWER_PAGES > seen.pages, (seen.pages, still.pages)
