"""What must hold for every input, however broken: captures or named rejections, soon, and never another exception."""

from __future__ import annotations

import io

from rowreckon.archive.follow import Following
from rowreckon.archive.work import Options
from rowreckon.auditing import audit
from rowreckon.capture import Capture
from rowreckon.intake import read_text
from rowreckon.reading.limits import Limits
from tests.waiting import processor_limit

LIMITS = Limits(max_depth=200, max_bytes=1 << 20, max_plans=1000)


def check_input(data: bytes, *, in_full: bool = False) -> int:
    """Read it as a text and as a log, audit what was found; returns the number of plans. Fails where it has no end."""
    with processor_limit():
        found = read_text(data, source="fuzzed", limits=LIMITS)
        following = Following(Options(limits=LIMITS, judge=in_full))
        following.run(io.BytesIO(data))
        following.file.close()
    faults = [each.reason for each in following.store.whole.unread if each.defect]
    assert not faults, (faults, data)
    captures = [each for each in found if isinstance(each, Capture)]
    if in_full:
        audit(captures).to_json().encode("utf-8")
    for each in found:
        assert isinstance(each, Capture) or each.reason
    return len(captures)
