"""Audit an archive: the one call that the command line and Python use."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rowreckon.archive.again import plans_at
from rowreckon.archive.files import spread_out
from rowreckon.archive.outcome import MOST_FOLDS, MOST_PLANS, Before, outcome
from rowreckon.archive.runner import run_units
from rowreckon.archive.store import FoldStore
from rowreckon.archive.undone import Undone
from rowreckon.archive.units import units_of
from rowreckon.archive.work import Options
from rowreckon.document.audit import Audit, Rejected
from rowreckon.errors import CannotConnect, InputTooLarge
from rowreckon.files import shown
from rowreckon.signals import Stopped

Progress = Callable[[int], None]


def audit_archive(
    paths: Sequence[str],
    options: Options = Options(),  # noqa: B008 - frozen
    *,
    jobs: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
    most_folds: int = MOST_FOLDS,
    most_plans: int = MOST_PLANS,
    keep: Callable[[FoldStore], None] | None = None,
    before: Before | None = None,
) -> Audit:
    """The audit of logs and plan files of any size, folded by query and plan shape.

    `jobs` processes share the work, or the Dask cluster at the address `scheduler`; the result is the same.
    `progress` is told of bytes as they are done; `keep` is given all folds, and `before` tells what the same folds were
    in an older archive. Inputs that can't be read are `rejected` in the audit, so is what a lost cluster, workers that
    die again and again or a held signal left undone. Raises CannotConnect and UsageError for the cluster, InputTooLarge
    for the workers, where nothing was done at all.
    """
    files = list(spread_out(paths))
    units = units_of(files, unit_bytes=options.unit_bytes)
    store, progress_made = FoldStore(), Undone(files)
    try:
        if scheduler is not None:
            from rowreckon.archive.cluster import run_on_cluster

            results = run_on_cluster(units, options, scheduler, progress=progress)
        else:
            results = run_units(units, options, jobs=jobs, progress=progress)
        for done in results:
            store.add(done.sums)
            progress_made.note(done)
        rejected: list[Rejected] = []
    except (CannotConnect, InputTooLarge) as error:
        if not progress_made.begun:
            raise
        rejected = [Rejected(source=scheduler or "--jobs", reason=error.sentence()), *progress_made.left()]
    except Stopped:
        rejected = progress_made.left()
    if keep is not None:
        keep(store)
    result = outcome(
        store,
        [shown(path) for path in files],
        lambda places: plans_at(files, places, options.limits),
        threshold=options.threshold,
        most_folds=most_folds,
        most_plans=most_plans,
        before=before,
        mask=options.mask,
    )
    return result.model_copy(update={"rejected": (*result.rejected, *rejected)}) if rejected else result
