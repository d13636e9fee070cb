"""A polite `kill` cleans up too."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType


@contextlib.contextmanager
def terminated_like_ctrl_c() -> Iterator[None]:
    """Turn SIGTERM into an exception, so that `finally` blocks run; only where nobody handles it yet."""
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
