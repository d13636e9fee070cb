"""The registry and the documentation of each cause."""

from __future__ import annotations

import pytest

from rowreckon.causes.registry import CAUSES, CODES, Cause, title_of

# The codes of the machine-readable contract, version 1, as it was published: files with them are kept for years.
CONTRACT = {
    "stale_statistics",
    "never_analyzed",
    "partition_parent_not_analyzed",
    "column_target_too_low",
    "correlated_columns_equality",
    "correlated_columns_range",
    "ndistinct_multi_column",
    "ndistinct_wrong",
    "expression_without_statistics",
    "join_key_skew",
    "multi_column_join_key",
    "function_row_default",
    "generic_plan",
    "missing_join_index",
    "luring_index",
    "statistics_not_usable",
    "unexplained",
}
HEADINGS = (
    "What it finds",
    "Why it hurts",
    "Evidence it needs",
    "Remedy",
    "When it is wrong",
    "References",
)


def test_a_code_once_told_stays() -> None:
    """No code of the contract is missing, none stands twice; readers tell a new one by its title."""
    assert set(CODES) >= CONTRACT
    assert len(CODES) == len(CAUSES)


@pytest.mark.parametrize("cause", CAUSES, ids=lambda c: c.code)
def test_doc_has_the_fixed_headings(cause: Cause) -> None:
    """One document feeds every place where a cause is explained: the same headings, in the same order, none empty."""
    assert cause.page.startswith(f"# {cause.code}\n")
    sections = cause.page.split("\n## ")[1:]
    assert tuple(s.split("\n", 1)[0] for s in sections) == HEADINGS
    assert all(len(s.split("\n", 1)[1].strip()) > 20 for s in sections)


def test_every_cause_has_a_remedy() -> None:
    """A change of statistics, an index, or the query's text: each cause names one for the shapes that allow it."""
    assert {cause.code for cause in CAUSES if not cause.curable} == set()


def test_a_code_of_another_release_is_told_in_words() -> None:
    """Titles come from the causes' own modules; an unknown code still reads as words."""
    assert title_of("stale_statistics") == "old statistics"
    assert title_of("moon_phase") == "moon phase"
