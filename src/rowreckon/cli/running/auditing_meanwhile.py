"""Auditing captures as they come, in a thread beside the sweep: the command computes while the server runs a query."""

from __future__ import annotations

import queue
import sys
import threading
from types import TracebackType

from rowreckon.auditing import Auditing
from rowreckon.capture import Capture
from rowreckon.cli.running.audit_all import add_safely, unaudited
from rowreckon.document.audit import Audit, Rejected

_SWITCH_S = 0.0001
"""How long the audit may hold the interpreter while the sweep waits for it (s): after each of some fifteen statements
a query."""


class AuditingMeanwhile:
    """`put` captures in their order, then take the `result`: the audit of them all."""

    def __init__(self, threshold: float, *, curves: bool = True, details: bool = True) -> None:
        """As for `auditing.audit`."""
        self._work = Auditing(threshold=threshold, curves=curves, details=details)
        self._inputs: queue.SimpleQueue[Capture | Rejected | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="audit", daemon=True)
        self._stopped = threading.Event()
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
        self._inputs.put(None)

    def put(self, item: Capture | Rejected) -> None:
        """Hand over one capture, or what stands for an input that could not be read."""
        self._inputs.put(item)

    def result(self) -> Audit:
        """The audit of all captures so far; after Ctrl-C of those that were audited, the others being named."""
        self._inputs.put(None)
        try:
            self._thread.join()
        except KeyboardInterrupt:
            self._stopped.set()
            self._thread.join()
        if self._error is not None:
            raise self._error
        return self._work.result()

    def _run(self) -> None:
        try:
            while (item := self._inputs.get()) is not None:
                if self._stopped.is_set():
                    self._work.add(unaudited(item))
                else:
                    add_safely(self._work, item)
        except BaseException as error:
            self._error = error
