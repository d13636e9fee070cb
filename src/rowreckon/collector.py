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
        _call_them_old()
        gc.enable()


def _call_them_old() -> None:
    """Count everything made so far as long-lived, without a walk over it: freezing and thawing does just that.

    Left alone where the program itself keeps frozen objects, which thawing would give back to the collector.
    """
    if gc.get_freeze_count() == 0:
        gc.freeze()
        gc.unfreeze()
