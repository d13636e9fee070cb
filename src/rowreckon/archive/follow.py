"""Audit a log while it is being written: nothing can be read twice, so the worst plans are put aside as they come."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Iterable
from tempfile import TemporaryFile
from typing import BinaryIO

from rowreckon.archive.digest import Digest
from rowreckon.archive.folds import Place
from rowreckon.archive.partial import Partial, Unread
from rowreckon.archive.store import FoldStore
from rowreckon.archive.work import Options, digester_of, log_plans, unread
from rowreckon.reading.raw import RawPlan, Rejected

Report = Callable[[Digest, int, Place], None]


class Following:
    """The sums of a stream so far, and its worst plans, compressed, in a temporary file."""

    def __init__(self, options: Options, report: Report | None = None) -> None:
        self.options = options
        self.report = report
        self.store = FoldStore()
        self.kept: dict[Place, tuple[int, int]] = {}
        self.file = TemporaryFile()  # noqa: SIM115 - lives as long as this

    def run(self, stream: BinaryIO) -> None:
        """Read to the stream's end. `report` is told of each misestimated execution, and which one of its fold it is.

        What was read stays counted when something interrupts this.
        """
        digester = digester_of(self.options)
        for place, raw in log_plans(stream, 0, self.options.limits):
            whole = self.store.whole
            if isinstance(raw, Rejected):
                whole.reject(Unread(place, raw.reason, raw.where))
                continue
            try:
                digest = digester.digest(raw)
            except Exception as error:
                whole.reject(unread(place, error))
                continue
            self.count(whole, digest, place, raw)

    def count(self, whole: Partial, digest: Digest, place: Place, raw: RawPlan) -> None:
        """Count one plan, and put it aside if it is the worst of its fold so far."""
        before = whole.folds.get(digest.fingerprint)
        old = before.worst.place if before is not None and before.worst is not None else None
        whole.add(digest, place)
        fold = whole.folds[digest.fingerprint]
        if fold.worst is not None and fold.worst.place == place:
            if old is not None:
                self.kept.pop(old, None)
            self.keep(place, raw)
        if self.report is not None and digest.misestimated:
            self.report(digest, fold.misestimated, place)

    def keep(self, place: Place, raw: RawPlan) -> None:
        parts = [raw.document, raw.form, raw.query, list(raw.notes), raw.extra]
        packed = zlib.compress(json.dumps(parts).encode(), 1)
        start = self.file.seek(0, 2)
        self.file.write(packed)
        self.kept[place] = start, len(packed)

    def fetch(self, places: Iterable[Place]) -> dict[Place, RawPlan]:
        """The plans put aside that stand at these places."""
        found = {}
        for place in places:
            if place in self.kept:
                start, length = self.kept[place]
                self.file.seek(start)
                document, form, query, notes, extra = json.loads(zlib.decompress(self.file.read(length)))
                found[place] = RawPlan(document, form, "", query, tuple(notes), extra)
        return found
