"""What ends a run from outside: Ctrl-C, `kill`, a terminal that is closed.

The first such signal ends the step at hand, and what was done until then is reported. A second one ends the process.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from types import FrameType

ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
_ONE_PRESS_S = 0.5
"""A terminal and a starting program may both hand on the same Ctrl-C: signals so close together are one."""


class Stopped(KeyboardInterrupt):
    """The first signal of `ENDING`; whatever keeps what is done after Ctrl-C does so after the others too."""


class _State:
    number: int | None = None
    at = 0.0
    raised = False
    holds = 0
    staying: tuple[Callable[[], str | None], ...] = ()


def listen() -> None:
    """Handle the signals from now on; one that whoever started this process had ignored stays ignored."""
    for number in ENDING:
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _arrived)


def stopped_by() -> int | None:
    """The number of the first signal that came, None where none has."""
    return _State.number


@contextlib.contextmanager
def held() -> Iterator[None]:
    """While the block runs a first signal is only noted, so that what is being written is written to its end."""
    _State.holds += 1
    try:
        yield
    finally:
        _State.holds -= 1


def hold_for_good() -> None:
    """From now on a first signal is only noted: the run is over, and only its exit status is still to be given."""
    _State.holds += 1


@contextlib.contextmanager
def deferred() -> Iterator[None]:
    """While the block runs a first signal waits, and ends the step at hand right after: what belongs together is done
    together."""
    with held():
        yield
    if not _State.holds:
        check()


def check() -> None:
    """For long work within `held`: end it here where a signal has come. Raises Stopped, once."""
    if _State.number is not None and not _State.raised:
        _State.raised = True
        raise Stopped


@contextlib.contextmanager
def let_through() -> Iterator[None]:
    """While the block runs a signal ends it, within `held` too; also one that came before and was only noted."""
    holds, _State.holds = _State.holds, 0
    try:
        check()
        yield
    finally:
        _State.holds = holds


@contextlib.contextmanager
def leaving(what: Callable[[], str | None]) -> Iterator[None]:
    """While the block runs, what this gives is said before a second signal ends the process: a sentence on what then
    stays behind, None where nothing does."""
    before, _State.staying = _State.staying, (*_State.staying, what)
    try:
        yield
    finally:
        _State.staying = before


def _arrived(number: int, frame: FrameType | None) -> None:
    if _State.number is not None:
        if time.monotonic() - _State.at > _ONE_PRESS_S:
            _end_at_once(number)
        return
    _State.number, _State.at = number, time.monotonic()
    if not _State.holds:
        _State.raised = True
        raise Stopped


def _end_at_once(number: int) -> None:
    """Leave without any clearing up, and say what stays.

    Processes that share a log are ended, since they would wait for work for ever.
    """
    if "multiprocessing" in sys.modules:
        import multiprocessing

        for child in multiprocessing.active_children():
            child.kill()
    said = ["ended at once, without a report", *filter(None, (what() for what in _State.staying))]
    with contextlib.suppress(OSError):
        os.write(2, "".join(f"rowreckon: {sentence}\n" for sentence in said).encode())
    os._exit(128 + number)


@contextlib.contextmanager
def terminated_like_ctrl_c() -> Iterator[None]:
    """For a caller that does not `listen`: turn SIGTERM into an exception, so that `finally` blocks run; only where
    nobody handles it yet."""
    if (
        threading.current_thread() is not threading.main_thread()
        or signal.getsignal(signal.SIGTERM) is not signal.SIG_DFL
    ):
        yield
        return

    def leave(number: int, frame: FrameType | None) -> None:
        raise SystemExit(128 + number)

    signal.signal(signal.SIGTERM, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
