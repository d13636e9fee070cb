"""`rowreckon audit` of archives: which inputs are one, what is said while they are read, and how the run ends."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, cast

import typer

from rowreckon.cli.running.ending import carried_out
from rowreckon.cli.running.status import Happened
from rowreckon.errors import UsageError
from rowreckon.frozen import frozen
from rowreckon.signals import held, let_through

if TYPE_CHECKING:
    from rowreckon.archive.digest import Digest
    from rowreckon.archive.folds import Place
    from rowreckon.archive.outcome import Before
    from rowreckon.archive.store import FoldStore
    from rowreckon.document.audit import Audit
    from rowreckon.reading.limits import Limits

_PEEKED = 4 << 20
_PIECE = 1 << 20
_POWERS = frozenset(10**n for n in range(12))


@frozen
class ArchiveOptions:
    """What the command line says of archives."""

    jobs: int | None = None
    scheduler: str | None = None
    keep: Path | None = None
    before: Path | None = None
    judge: bool = True
    mask: bool = False


class UntilStopped(io.RawIOBase):
    """A stream that ends where Ctrl-C ends it, so that what was read until then is taken for the whole."""

    def __init__(self, stream: BinaryIO) -> None:
        self._read: Callable[[int], bytes] = getattr(stream, "read1", stream.read)
        self._ended = False

    def read1(self, size: int) -> bytes:
        """What is there, up to `size` bytes; nothing from the first signal on."""
        if self._ended:
            return b""
        try:
            with let_through():
                return self._read(size)
        except KeyboardInterrupt:
            self._ended = True
            return b""


class Peeked(io.RawIOBase):
    """A stream of which the beginning was read already."""

    def __init__(self, head: bytes, rest: UntilStopped) -> None:
        self.head = head
        self.rest = rest

    def read1(self, size: int) -> bytes:
        """What is there, up to `size` bytes."""
        if self.head:
            piece, self.head = self.head[:size], self.head[size:]
            return piece
        return self.rest.read1(size)

    def whole(self, most: int) -> bytes:
        """Everything to the end, and of what is longer one byte more than `most`."""
        pieces, left = [self.head], most + 1 - len(self.head)
        while left > 0 and (piece := self.rest.read1(min(_PIECE, left))):
            pieces.append(piece)
            left -= len(piece)
        return b"".join(pieces)


def peek(stream: UntilStopped) -> tuple[Peeked, bool]:
    """The stream as it was, and whether it is a server log: one read on until an entry of the log module or its end."""
    from rowreckon.reading.logs.files import is_log

    head = b""
    while len(head) < _PEEKED and (piece := stream.read1(1 << 16)):
        head += piece
        if is_log(head[-(len(piece) + 64) :]):
            return Peeked(head, stream), True
    return Peeked(head, stream), b" LOG:  " in head and len(head) >= _PEEKED


def audit_folded(
    paths: Sequence[str], options: ArchiveOptions, limits: Limits, threshold: float, happened: Happened
) -> tuple[Audit | None, bytes | None]:
    """The audit of an archive; or None, and standard input's content, where that is no log after all. A signal ends
    the reading, and what was read is audited. What goes wrong with keeping the folds is added to `happened`."""
    with held():
        if paths != ["-"]:
            return audit_paths(paths, options, limits, threshold, happened), None
        stream, is_log = peek(UntilStopped(cast(BinaryIO, sys.stdin.buffer)))
        if is_log or options.keep is not None or options.before is not None:
            return audit_stream(cast(BinaryIO, stream), options, limits, threshold, happened), None
        return None, stream.whole(limits.max_bytes)


def audit_paths(
    paths: Sequence[str], options: ArchiveOptions, limits: Limits, threshold: float, happened: Happened
) -> Audit:
    """The audit of an archive of files, with a bar of progress where somebody watches. Raises UsageError and others."""
    from rowreckon.archive.audit import audit_archive
    from rowreckon.archive.work import Options

    if "-" in paths:
        raise UsageError("standard input is read by one process, alone", hint="give it without other inputs")
    keep, before = _kept(options, happened)
    with _progress(paths) as progress:
        return audit_archive(
            paths,
            Options(threshold=threshold, judge=options.judge, mask=options.mask, limits=limits),
            jobs=options.jobs or 1,
            scheduler=options.scheduler,
            progress=progress,
            keep=keep,
            before=before,
        )


def audit_stream(
    stream: BinaryIO, options: ArchiveOptions, limits: Limits, threshold: float, happened: Happened
) -> Audit:
    """The audit of a log on standard input."""
    from rowreckon.archive.follow import Following
    from rowreckon.archive.outcome import outcome
    from rowreckon.archive.work import Options

    keep, before = _kept(options, happened)
    following = Following(Options(threshold=threshold, judge=options.judge, mask=options.mask, limits=limits), _tell)
    following.run(stream)
    if keep is not None:
        keep(following.store)
    return outcome(following.store, ["-"], following.fetch, threshold=threshold, before=before, mask=options.mask)


def archive_fails(result: Audit, fail_on: frozenset[str]) -> bool:
    """Whether any execution had a verdict of `fail_on`, from the counts over all of them."""
    counts = result.summary.model_dump()
    return any(counts[verdict] for verdict in fail_on)


def _kept(options: ArchiveOptions, happened: Happened) -> tuple[Callable[[FoldStore], None] | None, Before | None]:
    """What keeps the folds and what looks up older ones, as far as asked for; names are checked before any work."""
    if options.keep is None and options.before is None:
        return None, None
    from rowreckon.archive.keep import check_keepable, check_kept, folds_before, keep_folds

    newer, older = options.keep, options.before
    if newer is not None:
        check_keepable(newer)
    if older is not None:
        check_kept(older, "--before")
        folds_before(older, [])

    def keep(store: FoldStore) -> None:
        assert newer is not None
        happened.add(carried_out("keeping the folds", lambda: keep_folds(store, newer)))

    return (
        None if newer is None else keep,
        None if older is None else lambda ranked: folds_before(older, ranked),
    )


def _tell(digest: Digest, time: int, place: Place) -> None:
    """A line for the first misestimated execution of a fold, and again for the tenth, the hundredth and so on."""
    if time not in _POWERS:
        return
    from rowreckon.report.words.escape import clean

    verdict = "crossed" if digest.crossed else "held" if digest.held else "undecided"
    took = "" if digest.execution_us is None else f", {digest.execution_us / 1000:,.0f} ms"
    which = "" if time == 1 else f", for the {time:,}th time"
    query = clean(" ".join((digest.query or "").split()))[:100]
    at = clean(digest.at or f"byte {place.at}")
    typer.echo(f"{at}: {verdict}, q-error {digest.worst or 1:,.0f}{took}{which}: {query}", err=True)


@contextmanager
def _progress(paths: Sequence[str]) -> Iterator[Callable[[int], None] | None]:
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, Progress, TimeRemainingColumn, TransferSpeedColumn

    from rowreckon.archive.files import size_of, spread_out
    from rowreckon.errors import InputError

    total = 0
    for path in spread_out(paths):
        try:
            total += size_of(path)
        except InputError:
            continue
    columns = (BarColumn(), DownloadColumn(), TransferSpeedColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=total)
        yield lambda count: bar.advance(task, count)
