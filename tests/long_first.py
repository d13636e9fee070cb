"""The order of the files: those that take long come first, so that no worker is left alone with one in the end."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

_TESTS: Final = Path(__file__).parent
LONG_FIRST: Final = (
    "trial/test_on_a_copy.py",
    "masking/test_every_output.py",
    "reading/test_forms_agree.py",
    "report/browser/test_list_page.py",
    "report/browser/test_page.py",
    "trial/test_signals.py",
    "servers/test_samples.py",
    "archive/test_ending.py",
    "server/test_leaves_nothing.py",
    "security/test_lists.py",
    "trial/test_objects.py",
    "plan/test_round_trip.py",
    "joins/test_parallel_flips.py",
    "catalog/test_files_plan_nothing_of_yours.py",
    "catalog/test_estimates.py",
    "fuzz/test_structured.py",
    "reading/test_logs.py",
    "stand_in/test_hostile.py",
    "stand_in/test_same_plans.py",
)
"""Longer than half a minute on a machine of two cores (`--durations`), in no order that matters."""


def pytest_configure(config: pytest.Config) -> None:
    """By itself xdist begins with the files of most tests, and the longest hold few."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the tests of the long files before all others; within a file they keep their order."""
    places = {_TESTS / name: at for at, name in enumerate(LONG_FIRST)}
    assert all(path.is_file() for path in places), "a file of the list is gone"
    items.sort(key=lambda item: places.get(item.path, len(places)))
