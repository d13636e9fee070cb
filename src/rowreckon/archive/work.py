"""One unit of work: read it, digest each plan, add up; the same here, in another process, on a cluster."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, BinaryIO, cast

from rowreckon.archive.digest import Digester
from rowreckon.archive.files import open_plain, read_piece, unpacked
from rowreckon.archive.folds import Place
from rowreckon.archive.partial import Partial, Unread
from rowreckon.archive.quick import quick_plan
from rowreckon.archive.units import UNIT_BYTES, Unit, has_entries
from rowreckon.collector import collector_paused
from rowreckon.errors import InputError
from rowreckon.reading.limits import Limits
from rowreckon.reading.logs.entries import log_entries
from rowreckon.reading.logs.plans import entry_plan, most_bytes
from rowreckon.reading.raw import RawPlan, Rejected
from rowreckon.signals import check

Progress = Callable[[int], None]
_TELL_EVERY = 4 << 20
_PIECE = 128 << 10
_UNPACKED = 4 << 20


@dataclass(frozen=True, slots=True)
class Options:
    """How an archive is audited; see `Digester` for `threshold`, `judge` and `mask`."""

    threshold: float = 10.0
    judge: bool = True
    mask: bool = False
    limits: Limits = field(default_factory=Limits)
    unit_bytes: int = UNIT_BYTES


_digesters: dict[Options, Digester] = {}


def digester_of(options: Options) -> Digester:
    """This process's digester: what it worked out for one unit serves the next."""
    found = _digesters.get(options)
    if found is None:
        _digesters.clear()
        found = _digesters[options] = Digester(threshold=options.threshold, judge=options.judge, mask=options.mask)
    return found


def run_unit(unit: Unit, options: Options, progress: Progress | None = None, out: Partial | None = None) -> Partial:
    """The sums of one unit. Never raises for what stands in it; after a held signal Stopped, with `out` as far as it
    came."""
    out = Partial() if out is None else out
    out.totals.bytes = unit.bytes
    with collector_paused():
        try:
            if unit.kind == "packed":
                with _Piece(unit, None) as stream:
                    is_log = has_entries(cast(BinaryIO, stream))
                if not is_log:
                    _add_plans(out, unit, options)
                    return out
            if unit.kind in ("log", "packed"):
                with _Piece(unit, progress) as stream:
                    add_log(out, cast(BinaryIO, stream), unit.input, unit.start, options)
            elif unit.kind == "plans":
                _add_plans(out, unit, options)
            else:
                out.reject(Unread(Place(unit.input, 0), unit.reason or "", ""))
        except (InputError, EOFError, OSError, MemoryError) as error:
            out.reject(Unread(Place(unit.input, unit.start), _why(error), ""))
    return out


def add_log(out: Partial, stream: BinaryIO, number: int, start: int, options: Options) -> None:
    """Every plan of a log, read from byte `start` of its input on."""
    digester = digester_of(options)
    for entry in log_entries(stream, max_entry=most_bytes(options.limits), counted=False):
        place = Place(number, start + entry.offset)
        quick = quick_plan(entry)
        digest = None if quick is None else digester.quick(*quick)
        if digest is not None:
            out.add(digest, place)
            continue
        add_plan(out, entry_plan(entry, options.limits), place, options)


def log_plans(stream: BinaryIO, number: int, limits: Limits) -> Iterator[tuple[Place, RawPlan | Rejected]]:
    """The plans of a log with their places."""
    for entry in log_entries(stream, max_entry=most_bytes(limits), counted=False):
        yield Place(number, entry.offset), entry_plan(entry, limits)


def add_plan(out: Partial, raw: RawPlan | Rejected, place: Place, options: Options, text: str | None = None) -> None:
    """Count one plan, or note that it could not be read; `text` as for `Digester.digest`."""
    if isinstance(raw, Rejected):
        out.reject(Unread(place, raw.reason, raw.where))
        return
    try:
        digest = digester_of(options).digest(raw)
    except Exception as error:
        out.reject(unread(place, error))
    else:
        out.add(digest, place)


def unread(place: Place, error: Exception) -> Unread:
    """Why a plan could not be audited: a fault of ours too, by which the other plans are not to be lost."""
    if isinstance(error, InputError):
        return Unread(place, _why(error), error.where or "")
    reason = f"a defect of rowreckon: {type(error).__name__} in auditing this plan; please report it with the plan"
    return Unread(place, reason, "", defect=True)


def file_plans(path: str, limits: Limits) -> list[RawPlan | Rejected]:
    """The plans of a file that is no log, unpacked if need be. Raises InputError."""
    from rowreckon.reading.text import read_plans

    pieces, left = [], limits.max_bytes + 1
    with unpacked(path) as stream:
        while piece := read_piece(stream, min(left, _UNPACKED)):
            pieces.append(piece)
            left -= len(piece)
    return read_plans(b"".join(pieces), limits=limits)


def _add_plans(out: Partial, unit: Unit, options: Options) -> None:
    for number, raw in enumerate(file_plans(unit.path, options.limits)):
        add_plan(out, raw, Place(unit.input, number, numbered=True), options)


def _why(error: BaseException) -> str:
    if isinstance(error, InputError):
        return f"{error.what}; {error.hint}" if error.hint else error.what
    if isinstance(error, MemoryError):
        return "there is not enough memory to read it"
    return f"the file cannot be read to its end: {error}"


class _Piece(io.RawIOBase):
    """The bytes of a unit and nothing behind them; tells how far the file was read."""

    def __init__(self, unit: Unit, progress: Progress | None) -> None:
        whole = unit.start == 0 and unit.end is None
        self.stream: Any = unpacked(unit.path) if whole else open_plain(unit.path)
        self.left: int | None = None
        if not whole:
            self.stream.seek(unit.start)
            self.left = None if unit.end is None else unit.end - unit.start
        self.progress = progress
        self.told = self.seen = 0

    def read1(self, size: int) -> bytes:
        """The next piece. Raises Stopped after a held signal."""
        check()
        # Pieces that stay in the processor's cache until their plans are read are quicker than large ones.
        size = min(size, _PIECE if self.left is None else min(_PIECE, self.left))
        piece = read_piece(self.stream, size)
        if self.left is not None:
            self.left -= len(piece)
        self.seen += len(piece)
        if self.progress is not None and self.seen - self.told >= _TELL_EVERY:
            self.progress(self.seen - self.told)
            self.told = self.seen
        return piece

    def close(self) -> None:
        """Close the file."""
        if not self.closed:
            self.stream.close()
        super().close()
