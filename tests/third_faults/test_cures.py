"""The bench itself: it is whole, every fault is one that its own cure mends, and every trap is what its source says."""

from __future__ import annotations

from collections import Counter
from typing import Final

import pytest

from rowreckon import releases
from tests.second_faults.bench import FAULTS as SECOND
from tests.second_faults.model import Fault, Trap
from tests.second_faults.proving import assert_cured, assert_trap
from tests.servers.fixtures import Servers

from .bench import FAULTS, TRAPS

MAJORS: Final = (16, releases.NEWEST)


def test_the_third_bench_is_whole_and_no_copy_of_the_second() -> None:
    """At least forty faults, each cause three times, at least fifteen traps, no name twice, a source beside each."""
    assert len(FAULTS) >= 40
    assert min(Counter(fault.code for fault in FAULTS).values()) >= 3
    assert {fault.code for fault in SECOND} <= {fault.code for fault in FAULTS}
    assert len(TRAPS) >= 15
    names = [case.name for case in (*FAULTS, *TRAPS)]
    assert len(set(names)) == len(names)
    assert all(case.source for case in (*FAULTS, *TRAPS))
    assert all(2 <= len(case.others) <= 5 for case in (*FAULTS, *TRAPS))
    assert {case.schema for case in SECOND}.isdisjoint(case.schema for case in FAULTS)


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
