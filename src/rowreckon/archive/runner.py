"""Run all units, here or in several processes, and give what comes back, whenever it comes."""

from __future__ import annotations

import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import parent_process

from rowreckon.archive.partial import Partial
from rowreckon.archive.units import Unit
from rowreckon.archive.work import Options, run_unit
from rowreckon.errors import InputTooLarge
from rowreckon.signals import ENDING, Stopped, check

Progress = Callable[[int], None]
_AHEAD = 2
_MOST_DEATHS = 3
_LOOK_EVERY_S = 0.2


@dataclass(frozen=True, slots=True)
class Done:
    """A unit's sums; not `whole` where a signal came before its end."""

    unit: Unit
    sums: Partial
    whole: bool = True


def run_units(
    units: Iterable[Unit], options: Options, *, jobs: int = 1, progress: Progress | None = None
) -> Iterator[Done]:
    """The sums of all units as they come. `jobs` processes share them; `progress` is told of bytes as they are done.

    A worker process that dies costs the units it had at hand, which are done again; none is given twice. Raises
    InputTooLarge where they die again and again, and Stopped after a signal that was held.
    """
    if jobs <= 1:
        return _here(units, options, progress)
    return _in_processes(iter(units), options, jobs, progress)


def _here(units: Iterable[Unit], options: Options, progress: Progress | None) -> Iterator[Done]:
    for unit in units:
        check()
        told = [0]

        def tell(count: int, told: list[int] = told, most: int = unit.bytes) -> None:
            # A compressed file gives more bytes than it has.
            count = min(count, most - told[0])
            told[0] += count
            if progress is not None and count:
                progress(count)

        piece = Partial()
        try:
            run_unit(unit, options, tell if progress is not None else None, piece)
        except Stopped:
            yield Done(unit, piece, whole=False)
            raise
        tell(unit.bytes)
        yield Done(unit, piece)


def _in_processes(units: Iterator[Unit], options: Options, jobs: int, progress: Progress | None) -> Iterator[Done]:
    waiting: deque[Unit] = deque()
    deaths = 0
    while True:
        running: dict[Future[Partial], Unit] = {}
        try:
            with ProcessPoolExecutor(max_workers=jobs, initializer=_as_worker) as pool:
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
                    done, _ = wait(running, timeout=_LOOK_EVERY_S, return_when=FIRST_COMPLETED)
                    for future in done:
                        piece = future.result()
                        unit = running.pop(future)
                        if progress is not None:
                            progress(unit.bytes)
                        yield Done(unit, piece)
                    try:
                        check()
                    except Stopped:
                        yield from _at_hand(running)
                        raise
        except BrokenProcessPool:
            deaths += 1
            waiting.extend(running.values())
            if deaths > _MOST_DEATHS:
                raise InputTooLarge(
                    "worker processes end before their work is done",
                    where=waiting[0].path if waiting else None,
                    hint="there may be too little memory; give fewer --jobs",
                ) from None


def _at_hand(running: dict[Future[Partial], Unit]) -> Iterator[Done]:
    """What the workers have already begun, which takes them a moment; the rest is cancelled."""
    begun = {future: unit for future, unit in running.items() if not future.cancel()}
    for future, unit in begun.items():
        if future.exception() is None:
            yield Done(unit, future.result())


def _as_worker() -> None:
    """A worker leaves it to its parent what a signal means, and ends when the parent is gone, however that ended."""
    for number in ENDING:
        signal.signal(number, signal.SIG_DFL if number == signal.SIGTERM else signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
