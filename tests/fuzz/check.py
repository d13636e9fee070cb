"""What must hold for every input, however broken: captures or named rejections, soon, and never another exception."""

from __future__ import annotations

import contextlib
import io
import json
import time

from rowreckon.archive.follow import Following
from rowreckon.archive.work import Options
from rowreckon.auditing import audit
from rowreckon.capture import Capture
from rowreckon.intake import read_text
from rowreckon.reading.limits import Limits

SECONDS = 1.0
TIMES_JSON = 5.0
LIMITS = Limits(max_depth=200, max_bytes=1 << 20, max_plans=1000)


def check_input(data: bytes, *, in_full: bool = False) -> int:
    """Read it as a text and as a log, audit what was found; returns the number of plans. Fails where it takes long."""
    limit = SECONDS + TIMES_JSON * _json_seconds(data)
    found = []
    # The machine may have been busy elsewhere: it is too slow only if it is so again.
    for _ in range(3):
        start = time.process_time()
        found = read_text(data, source="fuzzed", limits=LIMITS)
        following = Following(Options(limits=LIMITS, judge=in_full))
        following.run(io.BytesIO(data))
        following.file.close()
        took = time.process_time() - start
        if took <= limit:
            break
    else:
        raise AssertionError(f"{took:.1f} s for {len(data)} bytes: {data[:200]!r}")
    faults = [each.reason for each in following.store.whole.unread if "fault of rowreckon" in each.reason]
    assert not faults, (faults, data)
    captures = [each for each in found if isinstance(each, Capture)]
    if in_full:
        audit(captures).to_json().encode("utf-8")
    for each in found:
        assert isinstance(each, Capture) or each.reason
    return len(captures)


def _json_seconds(data: bytes) -> float:
    start = time.process_time()
    with contextlib.suppress(ValueError, RecursionError):
        json.loads(data)
    return time.process_time() - start
