"""The same map on a Dask cluster: units go out, sums come back, each unit's exactly once."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from itertools import islice
from typing import Any

from rowreckon.archive.runner import Done
from rowreckon.archive.units import Unit
from rowreckon.archive.work import Options, run_unit
from rowreckon.errors import CannotConnect, UsageError
from rowreckon.signals import check

_AHEAD = 4
_CONNECT_SECONDS = "15s"
_RETRIES = 2
_POLL_S = 0.05
_LOOK_EVERY_S = 1.0
_PATIENCE_S = 15.0
"""How long a cluster without workers, or without a scheduler, is waited for: a nanny starts a dead worker anew."""
_ANSWER_S = 5.0
_CLOSE_S = 2.0


def run_on_cluster(
    units: Iterable[Unit],
    options: Options,
    scheduler: str,
    *,
    progress: Callable[[int], None] | None = None,
) -> Iterator[Done]:
    """The sums of all units as they come, worked out on the cluster behind the scheduler's address.

    A unit whose worker dies is run again by the scheduler; its sums are taken when they arrive here, and only then.
    The workers need this package and must see the inputs under the same paths or addresses. Raises CannotConnect
    where no scheduler answers, where the scheduler or the last worker is lost or there is none, UsageError where the
    extra is not installed.
    """
    try:
        import distributed
        from distributed.comm.core import CommClosedError
        from distributed.scheduler import KilledWorker
    except ImportError:
        raise UsageError("--scheduler needs Dask", hint="pip install 'rowreckon[cluster]'") from None
    # It tells of lost connections in tracebacks; what they mean for the run is said in a sentence.
    for name in ("distributed", "tornado", "asyncio"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    # Dask has no types to speak of.
    dask: Any = distributed
    try:
        client = dask.Client(scheduler, timeout=_CONNECT_SECONDS, set_as_default=False)
    except (OSError, TimeoutError, ValueError, CommClosedError) as error:
        raise CannotConnect(f"no Dask scheduler answers: {error}", where=scheduler, hint="check the address") from None
    watch = _Watch(client, scheduler)
    waiting = iter(units)
    out: dict[Any, Unit] = {}

    def send(unit: Unit) -> Any:
        # Not `pure`: a key of its own for each call, so that no other client's old result is taken for ours.
        future = client.submit(run_unit, unit, options, pure=False, retries=_RETRIES)
        out[future.key] = unit
        return future

    try:
        first = [send(unit) for unit in islice(waiting, max(watch.workers(), 1) * _AHEAD)]
        completed = dask.as_completed(first, loop=client.loop)
        while out:
            check()
            batch = completed.next_batch(block=False)
            if not batch:
                watch.look()
                time.sleep(_POLL_S)
            for future in batch:
                try:
                    piece = future.result(timeout=_ANSWER_S)
                except TimeoutError:
                    # The worker that held the result is gone: it is worked out again, if there is anybody to do it.
                    completed.add(future)
                    watch.look()
                    continue
                watch.moved()
                unit = out.pop(future.key, None)
                future.release()
                if unit is None:
                    continue  # counted already
                yield Done(unit, piece)
                if progress is not None:
                    progress(unit.bytes)
                for following in islice(waiting, 1):
                    completed.add(send(following))
    except (KilledWorker, CommClosedError, OSError, TimeoutError) as error:
        raise CannotConnect(
            f"the cluster gave up: {error}", where=scheduler, hint="look at the workers' logs; they may lack memory"
        ) from None
    except dask.CancelledError:
        raise watch.lost() from None
    finally:
        with suppress(Exception):
            client.close(timeout=_CLOSE_S)


class _Watch:
    """Looks whether anybody is there who could still do the work."""

    def __init__(self, client: Any, scheduler: str) -> None:
        self._client = client
        self._scheduler = scheduler
        self._looked = 0.0
        self._alone_since: float | None = None
        self._answered = True

    def workers(self) -> int:
        """How many workers there are; 0 too where the scheduler does not answer."""
        self._answered = False
        if self._client.status != "running":
            return 0
        try:
            found = self._client.sync(self._client.scheduler.identity, n_workers=-1, callback_timeout=_ANSWER_S)
        except Exception:  # whatever it is: nobody answered
            return 0
        self._answered = True
        return len(found.get("workers", {}))

    def moved(self) -> None:
        """Something came back."""
        self._alone_since = None

    def look(self) -> None:
        """Raise CannotConnect where nobody has been there for some time; asks at most once a second."""
        now = time.monotonic()
        if now - self._looked < _LOOK_EVERY_S:
            return
        self._looked = now
        if self.workers():
            self._alone_since = None
            return
        if self._alone_since is None:
            self._alone_since = now
        if now - self._alone_since >= _PATIENCE_S:
            raise (
                self.lost()
                if not self._answered
                else CannotConnect(
                    "the Dask cluster has no worker, or none is left",
                    where=self._scheduler,
                    hint="start workers for it, and see the logs of ended ones",
                )
            )

    def lost(self) -> CannotConnect:
        """What is said of a scheduler that is gone."""
        return CannotConnect(
            "the Dask scheduler does not answer any more", where=self._scheduler, hint="look at its log, and start anew"
        )
