"""Figures and their nouns: English grammar, no source."""

from __future__ import annotations

import pytest

from rowreckon.plural import agreeing, counted, noun


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (counted(0, "row"), "0 rows"),
        (counted(1, "row"), "1 row"),
        (counted(1.2, "row"), "1 row"),
        (counted(48310, "row"), "48,310 rows"),
        (counted(1, "query", "queries"), "1 query"),
        (counted(2, "query", "queries"), "2 queries"),
        (noun("1.3", "row"), "1.3 rows"),
        (noun("at least 1", "row"), "at least 1 row"),
        (noun("1,001", "row"), "1,001 rows"),
        (noun("11", "row"), "11 rows"),
        (agreeing("1", "was", "were"), "was"),
        (agreeing("0", "was", "were"), "were"),
    ],
)
def test_figure_and_noun_agree(said: str, expected: str) -> None:
    """By the figure as it is shown, not by the number behind it."""
    assert said == expected
