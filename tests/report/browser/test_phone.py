"""A phone's first screen, 390 by 844 pixels: the five answers stand above its edge however long the query is."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from rowreckon import audit, read_path
from tests.report.browser.conftest import Opened

pytestmark = pytest.mark.browser

ROOT = Path(__file__).parents[3]
LONG = "select h.name, count(*) from bookings b join huts h using (hut_id) where b.remark <> 'a remark' " * 60
# Where the last line of the commands ends, and where the words of a change's effects do.
ENDS = """() => Math.max(...[...document.querySelectorAll('#verdict pre, #verdict .touches')]
  .map(e => e.getBoundingClientRect().bottom))"""


@pytest.mark.parametrize(
    "name",
    [
        "sample_plans/correlated-columns.18.json",
        "sample_plans/distinct-count-of-several-columns.18.json",
        "sample_plans/multi-column-join-key.18.json",
        "sample_plans/anti-join.18.json",
        "sample_plans/partition-parent-not-analysed.18.json",
        "tests/report/captures/join-key-skew.capture.json",
        "tests/report/plans/seven-joins.capture.json",
    ],
)
def test_the_command_is_seen_whole(opened: Callable[..., Opened], name: str) -> None:
    """With what it touches, below verdict, ruler and cause."""
    audited = audit(read_path(ROOT / name), curves=False)
    plan = audited.plans[0].model_copy(update={"query": LONG, "source": name})
    page = opened(audited.model_copy(update={"plans": (plan,)}), width=390, height=844).page

    assert page.evaluate("document.querySelectorAll('#verdict pre').length") == 1
    assert page.evaluate(ENDS) <= 844
