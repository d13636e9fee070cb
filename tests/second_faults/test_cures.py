"""The bench itself: every fault is one, its own cure mends it, and every trap is what its source says."""

from __future__ import annotations

from collections import Counter
from typing import Final

import pytest

from rowreckon import releases
from tests.servers.fixtures import Servers

from .bench import FAULTS, SAMPLE, TRAPS
from .model import Fault, Trap
from .proving import assert_cured, assert_trap

MAJORS: Final = (16, releases.NEWEST)


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
    assert_cured(servers(releases.NEWEST).dsn, fault)


@pytest.mark.full
@pytest.mark.parametrize("major", MAJORS, ids=lambda major: f"pg{major}")
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_every_fault_is_mended_by_its_own_cure(servers: Servers, fault: Fault, major: int) -> None:
    assert_cured(servers(major).dsn, fault)


@pytest.mark.full
@pytest.mark.parametrize("major", MAJORS, ids=lambda major: f"pg{major}")
@pytest.mark.parametrize("trap", TRAPS, ids=lambda trap: trap.name)
def test_every_trap_is_one(servers: Servers, trap: Trap, major: int) -> None:
    assert_trap(servers(major).dsn, trap)
