"""The same map on a Dask cluster: units go out, sums come back, each unit's exactly once."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import islice
from typing import Any

from rowreckon.archive.store import FoldStore
from rowreckon.archive.units import Unit
from rowreckon.archive.work import Options, run_unit
from rowreckon.errors import CannotConnect, UsageError

_AHEAD = 4
_CONNECT_SECONDS = "15s"
_RETRIES = 2


def run_on_cluster(
    units: Iterable[Unit],
    options: Options,
    scheduler: str,
    *,
    progress: Callable[[int], None] | None = None,
) -> FoldStore:
    """The sums of all units, worked out on the cluster behind the scheduler's address.

    A unit whose worker dies is run again by the scheduler; its sums are taken when they arrive here, and only then.
    The workers need this package and must see the inputs under the same paths or addresses. Raises CannotConnect
    where no scheduler answers, UsageError where the extra is not installed.
    """
    try:
        import distributed
        from distributed.comm.core import CommClosedError
        from distributed.scheduler import KilledWorker
    except ImportError:
        raise UsageError("--scheduler needs Dask", hint="pip install 'rowreckon[cluster]'") from None
    # Dask has no types to speak of.
    dask: Any = distributed
    try:
        client = dask.Client(scheduler, timeout=_CONNECT_SECONDS, set_as_default=False)
    except (OSError, TimeoutError, ValueError, CommClosedError) as error:
        raise CannotConnect(f"no Dask scheduler answers: {error}", where=scheduler, hint="check the address") from None
    store = FoldStore()
    with client:
        workers = max(len(client.scheduler_info().get("workers", {})), 1)
        waiting = iter(units)
        out: dict[Any, Unit] = {}

        def send(unit: Unit) -> Any:
            # Not `pure`: a key of its own for each call, so that no other client's old result is taken for ours.
            future = client.submit(run_unit, unit, options, pure=False, retries=_RETRIES)
            out[future.key] = unit
            return future

        completed = dask.as_completed([send(unit) for unit in islice(waiting, workers * _AHEAD)], loop=client.loop)
        try:
            for future in completed:
                piece = future.result()
                unit = out.pop(future.key, None)
                future.release()
                if unit is None:
                    continue  # counted already
                store.add(piece)
                if progress is not None:
                    progress(unit.bytes)
                for following in islice(waiting, 1):
                    completed.add(send(following))
        except (KilledWorker, CommClosedError, OSError, TimeoutError) as error:
            raise CannotConnect(
                f"the cluster gave up: {error}", where=scheduler, hint="look at the workers' logs; they may lack memory"
            ) from None
    return store
