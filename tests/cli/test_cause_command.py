"""`rowreckon cause`: the causes' pages, for those who read a report."""

from __future__ import annotations

import pytest

from rowreckon.causes.registry import CAUSES
from tests.cli.running import rowreckon


def test_all_causes_are_listed() -> None:
    """A line for each, its code first."""
    result = rowreckon("cause")

    assert [line.split()[0] for line in result.stdout.splitlines()] == [cause.code for cause in CAUSES]
    assert result.returncode == 0


@pytest.mark.parametrize("name", ["stale_statistics", "stale-statistics", "old statistics"])
def test_a_page_is_found_by_code_and_by_title(name: str) -> None:
    """The code in either spelling, and the title that the report prints."""
    result = rowreckon("cause", name)

    assert result.stdout.startswith("# stale_statistics")
    assert "## When it is wrong" in result.stdout


def test_an_unknown_cause_is_said() -> None:
    """One sentence, and how to get the list."""
    result = rowreckon("cause", "bad_luck")

    assert result.returncode == 2
    assert "there is no cause" in result.stderr
