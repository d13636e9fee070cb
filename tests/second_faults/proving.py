"""Cases held against a live server before the product is asked: a cure mends its fault, and a trap is one."""

from __future__ import annotations

from .model import FEWER_PAGES, MENDED, MISESTIMATED, Fault, Trap
from .sessions import after, before, seeded


def assert_cured(server: str, fault: Fault) -> None:
    """The fault shows, and the bench's own cure takes it away."""
    with seeded(server, fault) as dsn:
        ill = before(dsn, fault)
        well = after(dsn, fault, fault.cure, query=fault.cured_query, place=fault.cured_place)
    if fault.measure == "pages":
        assert ill.pages >= FEWER_PAGES * well.pages, (fault.name, ill.pages, well.pages)
        return
    assert ill.q_error >= MISESTIMATED, (fault.name, ill.estimated, ill.actual)
    assert well.q_error <= MENDED, (fault.name, well.estimated, well.actual)


def assert_trap(server: str, trap: Trap) -> None:
    """Where it looks off it does so, and the obvious remedy leaves it as it was."""
    with seeded(server, trap) as dsn:
        seen = before(dsn, trap)
        still = after(dsn, trap, trap.useless) if trap.useless else seen
    if trap.looks_off:
        assert seen.q_error >= MISESTIMATED, (seen.estimated, seen.actual)
        assert still.q_error >= MISESTIMATED, (still.estimated, still.actual)
    if trap.useless and not trap.looks_off:
        assert still.pages * FEWER_PAGES > seen.pages, (seen.pages, still.pages)
