"""Pictures of the reports are kept beside the browser's tests: they were looked at, and must be of today's reports."""

from __future__ import annotations

import json

import pytest

from tests.report import pictured
from tests.report.browser import draw_pictures as drawn

RECORD: dict[str, str] = json.loads(drawn.RECORD.read_text("utf-8"))


@pytest.mark.parametrize("name", pictured.REPORTS)
def test_the_report_is_the_one_whose_pictures_were_looked_at(name: str) -> None:
    """Style sheets included. Else draw them anew, look at them, and commit them with the change."""
    now = pictured.fingerprint(name)
    old = [file for file in drawn.pictures(name) if RECORD.get(file) != now]

    assert old == [], f"run {drawn.COMMAND}, then look at what it has drawn"


def test_every_picture_is_recorded_and_there() -> None:
    """None is left of a report that is gone; together they stay small enough for a repository."""
    expected = {file for name in pictured.REPORTS for file in drawn.pictures(name)}
    kept = [path for path in drawn.KEPT.iterdir() if path != drawn.RECORD]

    assert {path.name for path in kept} == expected == set(RECORD)
    assert sum(path.stat().st_size for path in kept) < 4_000_000
