"""Waiting for what comes in its own time, nothing asserted by the clock: a busy machine makes no test fail."""

from __future__ import annotations

import contextlib
import signal
import time
from collections.abc import Iterator
from types import FrameType

import pytest

_PAUSE_S = 0.1
_TURNS = 3_000
"""So many looks are hopeless on any machine: the busier it is, the longer they last."""


def turns(waiting_for: str) -> Iterator[int]:
    """Numbers for a loop that looks again and again until what it waits for is there; fails where it never comes."""
    for turn in range(_TURNS):
        yield turn
        time.sleep(_PAUSE_S)
    pytest.fail(f"waited in vain for {waiting_for}")


@contextlib.contextmanager
def processor_limit(seconds: float = 30.0) -> Iterator[None]:
    """Fail where the block takes more of this process's own processor time than anything but a walk without an end.

    The system counts it, so that other processes' work does not; how fast a reader is has its own benchmarks.
    """

    def over(number: int, frame: FrameType | None) -> None:
        raise AssertionError(f"more than {seconds:g} s of processor time")

    before = signal.signal(signal.SIGVTALRM, over)
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)
