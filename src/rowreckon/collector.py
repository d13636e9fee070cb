"""Pausing the cyclic garbage collector while a plan is read and audited."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def collector_paused() -> Iterator[None]:
    """No cyclic collection inside the block; nothing changes where it is off already.

    Reading and auditing make many values that live until the end, and no cycles. Every collection in between walks all
    of them and frees none, which takes longer than the work itself on a plan of thousands of nodes.
    """
    if not gc.isenabled():
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
