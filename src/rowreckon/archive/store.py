"""All folds of an archive in bounded memory: what is too much goes to temporary files, which are merged at the end."""

from __future__ import annotations

import pickle
from collections.abc import Iterator
from heapq import merge
from tempfile import TemporaryFile
from typing import IO

from rowreckon.archive.folds import FoldSum
from rowreckon.archive.partial import Partial

MOST_IN_MEMORY = 20_000
Item = tuple[bytes, FoldSum]


class FoldStore:
    """Takes pieces in any order and gives every fold once. The temporary files are this process's own."""

    def __init__(self, *, most_in_memory: int = MOST_IN_MEMORY) -> None:
        self.most = most_in_memory
        self.whole = Partial()
        self.runs: list[IO[bytes]] = []

    def add(self, piece: Partial) -> None:
        """Add one piece, which is used up."""
        self.whole.merge(piece)
        if len(self.whole.folds) > self.most:
            self.spill()

    def spill(self) -> None:
        """Put the folds in memory into a file, sorted by fingerprint."""
        run = TemporaryFile()  # noqa: SIM115 - lives as long as the store
        for item in sorted(self.whole.folds.items(), key=_fingerprint):
            pickle.dump(item, run, protocol=pickle.HIGHEST_PROTOCOL)
        self.runs.append(run)
        self.whole.folds = {}

    def folds(self) -> Iterator[Item]:
        """Every fold once, by fingerprint."""
        current: Item | None = None
        sources = [_read(run) for run in self.runs]
        for fingerprint, fold in merge(
            *sources, iter(sorted(self.whole.folds.items(), key=_fingerprint)), key=_fingerprint
        ):
            if current is not None and current[0] == fingerprint:
                current[1].merge(fold)
                continue
            if current is not None:
                yield current
            # A fold in memory has to stay as it is, should the folds be asked for once more.
            current = (fingerprint, _copy(fold))
        if current is not None:
            yield current


def _fingerprint(item: Item) -> bytes:
    return item[0]


def _read(run: IO[bytes]) -> Iterator[Item]:
    run.seek(0)
    while True:
        try:
            # Written by this very process into a file without a name: nobody else can have changed it.
            yield pickle.load(run)
        except EOFError:
            return


def _copy(fold: FoldSum) -> FoldSum:
    fresh = FoldSum()
    fresh.merge(fold)
    return fresh
