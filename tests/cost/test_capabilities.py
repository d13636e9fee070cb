"""Each planner feature begins with the release that its own description names, and with no other."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable

import pytest

from rowreckon import releases
from rowreckon.cost import capabilities

FEATURES = [of for name, of in inspect.getmembers(capabilities, inspect.isfunction)]


@pytest.mark.parametrize("feature", FEATURES, ids=lambda of: of.__name__)
def test_begins_where_it_says(feature: Callable[[int], bool]) -> None:
    """`: 16` is from 16 on, `: up to 15` until then. The boundaries themselves are settled by tests/cost/live."""
    told = re.search(r": (up to )?(\d+)\b", inspect.getdoc(feature) or "")
    assert told
    until, major = told[1] is not None, int(told[2])
    assert [feature(at) for at in releases.MODELLED] == [
        at <= major if until else at >= major for at in releases.MODELLED
    ]
