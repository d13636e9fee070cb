"""The audit of all inputs, as far as it comes: stopped in between, of those before; without what rowreckon fails at."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.auditing import DEFAULT_THRESHOLD, Auditing
from rowreckon.capture import Capture
from rowreckon.cli.running.status import defect_sentence
from rowreckon.document.audit import Audit, Rejected
from rowreckon.errors import RowreckonError

STOPPED = "interrupted before it was audited"


def audit_all(
    inputs: Sequence[Capture | Rejected], *, threshold: float = DEFAULT_THRESHOLD, curves: bool = True
) -> Audit:
    """The audit; what could not be audited is named in its `rejected`."""
    work = Auditing(threshold=threshold, curves=curves)
    try:
        for item in inputs:
            add_safely(work, item)
    except KeyboardInterrupt:
        for item in inputs[work.done :]:
            work.add(unaudited(item))
    return work.result()


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
