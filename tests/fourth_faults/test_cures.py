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
from tests.third_faults.bench import FAULTS as THIRD

from .bench import FAULTS, TRAPS

MAJORS: Final = (16, releases.NEWEST)
TWICE: Final = frozenset({"partition_parent_not_analyzed", "join_key_skew", "statistics_not_usable"})
"""Causes of which two different shapes were found; all others come three times."""


def test_the_fourth_bench_is_whole_and_no_copy_of_the_others() -> None:
    """Forty to forty-eight faults, fifteen traps, no name twice, a source beside each, other schemas than before."""
    assert 40 <= len(FAULTS) <= 48
    assert len(TRAPS) >= 15
    counts = Counter(fault.code for fault in FAULTS)
    assert {code: count for code, count in counts.items() if count < (2 if code in TWICE else 3)} == {}
    cases: tuple[Fault | Trap, ...] = (*FAULTS, *TRAPS)
    names = [case.name for case in cases]
    assert len(set(names)) == len(names)
    assert all(case.source for case in cases)
    assert all(2 <= len(case.others) <= 5 for case in cases)
    schemas = [case.schema for case in cases]
    assert len(set(schemas)) == len(schemas)
    assert {case.schema for case in (*SECOND, *THIRD)}.isdisjoint(schemas)


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
