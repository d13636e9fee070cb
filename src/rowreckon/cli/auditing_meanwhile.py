"""Auditing captures as they come, in a thread beside the sweep: the command computes while the server runs a query."""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Iterator
from types import TracebackType

from rowreckon.auditing import audit
from rowreckon.capture import Capture
from rowreckon.document.audit import Audit

_SWITCH_S = 0.0005
"""How long the audit may hold the interpreter while the sweep waits for it (s): a fraction of a query's time."""


class AuditingMeanwhile:
    """`put` captures in their order, then take the `result`: the audit of them all."""

    def __init__(self, threshold: float) -> None:
        self._threshold = threshold
        self._captures: queue.SimpleQueue[Capture | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="audit", daemon=True)
        self._result: Audit | None = None
        self._error: BaseException | None = None
        self._interval = sys.getswitchinterval()

    def __enter__(self) -> AuditingMeanwhile:
        sys.setswitchinterval(_SWITCH_S)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        sys.setswitchinterval(self._interval)
        self._captures.put(None)

    def put(self, capture: Capture) -> None:
        """Hand one capture over."""
        self._captures.put(capture)

    def result(self) -> Audit:
        """The audit of all captures so far; raises what auditing raised."""
        self._captures.put(None)
        self._thread.join()
        if self._error is not None:
            raise self._error
        assert self._result is not None
        return self._result

    def _run(self) -> None:
        try:
            self._result = audit(self._coming(), threshold=self._threshold)
        except BaseException as error:
            self._error = error

    def _coming(self) -> Iterator[Capture]:
        while (capture := self._captures.get()) is not None:
            yield capture
