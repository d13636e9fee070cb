"""What causes are found from: one capture, its counts, where errors enter, and the judged joins."""

from __future__ import annotations

from rowreckon.capture import Capture
from rowreckon.counts import Origins, ReckonedTree
from rowreckon.document.audit import Join
from rowreckon.frozen import frozen


@frozen
class CauseEvidence:
    """One plan's evidence. `threshold` is the q-error from which on a count is called misestimated."""

    capture: Capture
    reckoned: ReckonedTree
    origins: Origins
    joins: tuple[Join, ...]
    threshold: float = 10.0
