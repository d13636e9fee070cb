"""The audit of all inputs; after a stop of those before it, and without those at which rowreckon itself fails."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.auditing import DEFAULT_THRESHOLD, Auditing, by_name, together
from rowreckon.capture import Capture
from rowreckon.cli.running.status import defect_sentence
from rowreckon.document.audit import Audit, Rejected
from rowreckon.errors import RowreckonError

STOPPED = "interrupted before it was audited"


def audit_all(
    inputs: Sequence[Capture | Rejected],
    *,
    threshold: float = DEFAULT_THRESHOLD,
    curves: bool = True,
    details: bool = True,
    one_database: bool | None = None,
    files: bool = False,
) -> Audit:
    """The audit; what could not be audited is named in its `rejected`. For `one_database` see `auditing.audit`.

    Plans are listed in the inputs' order. Those of `files`, which a shell or a folder gives in any order, are listed by
    name where they tell of each other.
    """
    work = Auditing(threshold=threshold, curves=curves, details=details)
    ordered, failed = list(inputs), None
    try:
        failed = _learn_safely(work, ordered, one_database=one_database)
        if files and work.fellows is not None:
            ordered = by_name(ordered)
        for item in ordered:
            add_safely(work, item)
    except KeyboardInterrupt:
        for item in ordered[work.done :]:
            work.add(unaudited(item))
    if failed is not None:
        work.add(failed)
    return work.result()


def _learn_safely(work: Auditing, inputs: list[Capture | Rejected], *, one_database: bool | None) -> Rejected | None:
    """Let the audit know what the plans tell each other; where this program fails at that, what names it, and each is
    audited by itself."""
    try:
        work.fellows = together(inputs, one_database)
    except Exception as error:
        reason = defect_sentence(error, "reading what the plans tell of each other's tables")
        return Rejected(source="all plans together", reason=reason, defect=True)
    return None


def add_safely(work: Auditing, item: Capture | Rejected) -> None:
    """Add an input; one at which this program fails is named as that, and the others are audited."""
    try:
        work.add(item)
    except RowreckonError as error:
        work.add(Rejected(source=_name(item), reason=error.sentence()))
    except (RecursionError, MemoryError) as error:
        what = "memory" if isinstance(error, MemoryError) else "depth of calls"
        work.add(Rejected(source=_name(item), reason=f"the plan needs more {what} than there is"))
    except Exception as error:
        work.add(Rejected(source=_name(item), reason=defect_sentence(error, "auditing this plan"), defect=True))


def unaudited(item: Capture | Rejected) -> Rejected:
    """What stands for an input that had not its turn."""
    return item if isinstance(item, Rejected) else Rejected(source=item.name, reason=STOPPED)


def _name(item: Capture | Rejected) -> str:
    return item.source if isinstance(item, Rejected) else item.name
