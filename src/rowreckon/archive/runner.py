"""Run all units, here or in several processes, and add up what comes back, whenever it comes."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool

from rowreckon.archive.partial import Partial
from rowreckon.archive.store import FoldStore
from rowreckon.archive.units import Unit
from rowreckon.archive.work import Options, run_unit
from rowreckon.errors import InputTooLarge

Progress = Callable[[int], None]
_AHEAD = 2
_MOST_DEATHS = 3


def run_units(units: Iterable[Unit], options: Options, *, jobs: int = 1, progress: Progress | None = None) -> FoldStore:
    """The sums of all units. `jobs` processes share them; `progress` is told of bytes as they are done.

    A worker process that dies costs the units it had at hand, which are done again; none is counted twice.
    """
    store = FoldStore()
    results = _here(units, options, progress) if jobs <= 1 else _in_processes(iter(units), options, jobs, progress)
    for piece in results:
        store.add(piece)
    return store


def _here(units: Iterable[Unit], options: Options, progress: Progress | None) -> Iterator[Partial]:
    for unit in units:
        told = [0]

        def tell(count: int, told: list[int] = told, most: int = unit.bytes) -> None:
            # A compressed file gives more bytes than it has.
            count = min(count, most - told[0])
            told[0] += count
            if progress is not None and count:
                progress(count)

        piece = run_unit(unit, options, tell if progress is not None else None)
        tell(unit.bytes)
        yield piece


def _in_processes(units: Iterator[Unit], options: Options, jobs: int, progress: Progress | None) -> Iterator[Partial]:
    waiting: deque[Unit] = deque()
    deaths = 0
    while True:
        running: dict[Future[Partial], Unit] = {}
        try:
            with ProcessPoolExecutor(max_workers=jobs) as pool:
                while True:
                    while len(running) < jobs * _AHEAD:
                        if not waiting and (unit := next(units, None)) is not None:
                            waiting.append(unit)
                        if not waiting:
                            break
                        # It stays in line until the pool has it: a pool that just broke takes nothing.
                        running[pool.submit(run_unit, waiting[0], options)] = waiting[0]
                        waiting.popleft()
                    if not running:
                        return
                    done, _ = wait(running, return_when=FIRST_COMPLETED)
                    for future in done:
                        piece = future.result()
                        unit = running.pop(future)
                        if progress is not None:
                            progress(unit.bytes)
                        yield piece
        except BrokenProcessPool:
            deaths += 1
            waiting.extend(running.values())
            if deaths > _MOST_DEATHS:
                raise InputTooLarge(
                    "worker processes end before their work is done",
                    where=waiting[0].path if waiting else None,
                    hint="there may be too little memory; give fewer --jobs",
                ) from None
