"""From the sums of an archive to the audit document: folds ranked by what they cost, and the worst plan of each."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from heapq import nlargest

from rowreckon.archive.folds import FoldSum, Place
from rowreckon.archive.partial import MOST_REJECTED, Partial
from rowreckon.archive.store import FoldStore, Item
from rowreckon.auditing import Auditing, together
from rowreckon.capture import Capture
from rowreckon.document import audit as doc
from rowreckon.errors import InputError
from rowreckon.intake import capture_of
from rowreckon.reading.raw import RawPlan
from rowreckon.version import __version__

MOST_FOLDS = 50
MOST_PLANS = 20

Before = Callable[[Sequence[Item]], Mapping[str, doc.FoldBefore]]
Fetch = Callable[[Iterable[Place]], Mapping[Place, RawPlan]]


def outcome(
    store: FoldStore,
    paths: Sequence[str],
    fetch: Fetch,
    *,
    threshold: float,
    most_folds: int = MOST_FOLDS,
    most_plans: int = MOST_PLANS,
    before: Before | None = None,
    mask: bool = False,
) -> doc.Audit:
    """The audit of an archive; with `mask` plans are audited without their literals.

    `folds` are the `most_folds` weightiest, `plans` the worst execution of each of the first `most_plans`, audited in
    full with what the worst executions of all `folds` tell of their tables; `fetch` reads these again. The summary
    counts every execution. `before` tells of the same folds in an older archive.
    """
    ranked = nlargest(most_folds, store.folds(), key=_rank)
    shown = ranked[:most_plans]
    places = [fold.worst.place for _, fold in shown if fold.worst is not None]
    further = [fold.worst.place for _, fold in ranked[most_plans:] if fold.worst is not None]
    raws = fetch([*places, *further])
    captures: list[Capture] = []
    index: dict[Place, int] = {}
    rejected = list(_rejected(store.whole, paths))
    for place in places:
        source = source_of(paths[place.input], place)
        raw = raws.get(place)
        if raw is None:
            rejected.append(doc.Rejected(source=source, reason="the plan could not be read a second time"))
            continue
        try:
            captures.append(capture_of(raw, source))
        except InputError as error:
            rejected.append(doc.Rejected(source=source, reason=error.what, where=error.where))
            continue
        index[place] = len(captures) - 1
    telling = list(_telling(raws, further, paths))
    if mask:
        captures, rejected = _masked(captures, rejected)
        telling, _ = _masked(telling, [])
    work = Auditing(threshold=threshold, fellows=together([*captures, *telling], None))
    for capture in captures:
        work.add(capture)
    whole = work.result()
    older = before(ranked) if before is not None else {}
    return doc.Audit(
        tool_version=__version__,
        plans=whole.plans,
        remedies=whole.remedies,
        folds=tuple(fold_document(name, fold, index, older.get(name.hex())) for name, fold in ranked),
        rejected=tuple(rejected),
        summary=_summary(store.whole),
    )


def _telling(raws: Mapping[Place, RawPlan], places: Sequence[Place], paths: Sequence[str]) -> Iterator[Capture]:
    """The plans at these places, which are not shown; one that can't be read tells nothing."""
    for place in places:
        raw = raws.get(place)
        if raw is not None:
            with suppress(InputError):
                yield capture_of(raw, source_of(paths[place.input], place))


def _masked(captures: list[Capture], rejected: list[doc.Rejected]) -> tuple[list[Capture], list[doc.Rejected]]:
    from rowreckon.captures.masked_words import masked_sentence
    from rowreckon.captures.masking import mask_capture

    bare = [item.model_copy(update={"reason": masked_sentence(item.reason)}) for item in rejected]
    return [mask_capture(capture) for capture in captures], bare


def fold_document(
    fingerprint: bytes, fold: FoldSum, plans: Mapping[Place, int], before: doc.FoldBefore | None = None
) -> doc.Fold:
    """A fold as the document says it; `plans` are the indexes of the plans that are shown."""
    worst = fold.worst
    return doc.Fold(
        fingerprint=fingerprint.hex(),
        times=fold.times,
        first=fold.first,
        last=fold.last,
        q_errors=fold.errors.figures(),
        crossed=fold.crossed,
        lost_ms=fold.lost_us / 1000,
        query=None if worst is None else worst.query,
        query_id=None if worst is None else worst.query_id,
        misestimated=fold.misestimated,
        execution_ms=fold.execution_us / 1000 if fold.timed else None,
        plan=None if worst is None else plans.get(worst.place),
        before=before,
    )


def _rank(item: Item) -> tuple[int, int, int, int, bytes]:
    fingerprint, fold = item
    return *fold.weight(), fingerprint


def _summary(whole: Partial) -> doc.Summary:
    total = whole.totals
    return doc.Summary(
        plans=total.plans,
        joins=total.joins,
        crossed=total.crossed,
        held=total.held,
        undecided=total.undecided,
        accurate=total.joins - total.crossed - total.held - total.undecided,
        misestimated_nodes=total.misestimated_nodes,
        execution_ms=total.execution_us / 1000 if total.timed else None,
    )


def source_of(path: str, place: Place) -> str:
    """A plan's name: its file, and for a log the byte at which its entry begins."""
    if place.numbered:
        return path if place.at == 0 else f"{path}#{place.at + 1}"
    return f"{path}@{place.at}"


def _rejected(whole: Partial, paths: Sequence[str]) -> Iterable[doc.Rejected]:
    for unread in whole.unread[:MOST_REJECTED]:
        place = unread.place
        where = unread.where if place.numbered else f"byte {place.at}"
        yield doc.Rejected(source=paths[place.input], reason=unread.reason, where=where or None, defect=unread.defect)
    more = whole.totals.rejected - len(whole.unread[:MOST_REJECTED])
    if more > 0:
        yield doc.Rejected(source=paths[-1], reason=f"{more} more places that looked like plans could not be read")
