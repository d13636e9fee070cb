"""The bench itself: it is whole, a fault's own cure mends it and no other's does, and every trap is what its source
says."""

from __future__ import annotations

from collections import Counter
from typing import Final

import pytest

from rowreckon import releases
from tests.fifth_faults.bench import FAULTS as FIFTH
from tests.fifth_faults.bench import TRAPS as FIFTH_TRAPS
from tests.fourth_faults.bench import FAULTS as FOURTH
from tests.fourth_faults.bench import TRAPS as FOURTH_TRAPS
from tests.second_faults.bench import FAULTS as SECOND
from tests.second_faults.bench import TRAPS as SECOND_TRAPS
from tests.second_faults.model import FEWER_PAGES, MENDED, Fault, Trap
from tests.second_faults.proving import assert_cured, assert_trap
from tests.second_faults.sessions import after, before, seeded
from tests.servers.fixtures import Servers
from tests.third_faults.bench import FAULTS as THIRD
from tests.third_faults.bench import TRAPS as THIRD_TRAPS

from .bench import FAULTS, TRAPS
from .right_traps import TRAPS as RIGHT
from .rivals import rivals

MAJORS: Final = (16, releases.NEWEST)
CAUSES: Final = 20
EARLIER: Final[tuple[Fault | Trap, ...]] = (*SECOND, *THIRD, *FOURTH, *FIFTH)
EARLIER_TRAPS: Final[tuple[Fault | Trap, ...]] = (*SECOND_TRAPS, *THIRD_TRAPS, *FOURTH_TRAPS, *FIFTH_TRAPS)


def test_the_sixth_bench_is_whole_and_no_copy_of_the_others() -> None:
    """Forty-two to forty-six faults, every cause twice, sixteen traps, no name twice, a source each, new schemas."""
    assert 42 <= len(FAULTS) <= 46
    assert len(TRAPS) == 16
    counts = Counter(fault.code for fault in FAULTS)
    assert len(counts) == CAUSES
    assert min(counts.values()) >= 2
    cases: tuple[Fault | Trap, ...] = (*FAULTS, *TRAPS)
    names = [case.name for case in cases]
    assert len(set(names)) == len(names)
    assert all(case.source for case in cases)
    assert all(2 <= len(case.others) <= 5 for case in cases)
    schemas = [case.schema for case in cases]
    assert len(set(schemas)) == len(schemas)
    assert {case.schema for case in (*EARLIER, *EARLIER_TRAPS)}.isdisjoint(schemas)


@pytest.mark.full
@pytest.mark.parametrize("major", MAJORS, ids=lambda major: f"pg{major}")
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_every_fault_is_mended_by_its_own_cure(servers: Servers, fault: Fault, major: int) -> None:
    assert_cured(servers(major).dsn, fault)


@pytest.mark.full
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_no_other_cure_mends_it(servers: Servers, fault: Fault) -> None:
    for statements in rivals(fault):
        with seeded(servers(releases.NEWEST).dsn, fault) as dsn:
            ill, still = before(dsn, fault), after(dsn, fault, statements)
        if fault.measure == "pages":
            assert ill.pages < FEWER_PAGES * still.pages, (statements, ill.pages, still.pages)
        else:
            assert still.q_error > MENDED, (statements, still.estimated, still.actual)


@pytest.mark.full
@pytest.mark.parametrize("major", MAJORS, ids=lambda major: f"pg{major}")
@pytest.mark.parametrize("trap", TRAPS, ids=lambda trap: trap.name)
def test_every_trap_is_one(servers: Servers, trap: Trap, major: int) -> None:
    assert_trap(servers(major).dsn, trap)


@pytest.mark.full
@pytest.mark.parametrize("major", MAJORS, ids=lambda major: f"pg{major}")
@pytest.mark.parametrize("trap", RIGHT, ids=lambda trap: trap.name)
def test_what_is_said_to_be_right_is_right(servers: Servers, trap: Trap, major: int) -> None:
    """Not by the luck of one sample: three loads, each with its own statistics."""
    for _ in range(3):
        with seeded(servers(major).dsn, trap) as dsn:
            assert before(dsn, trap).q_error <= MENDED
