"""README shows a real report: still what the tool prints."""

from __future__ import annotations

from tests.report.readme_excerpt import excerpt, shown_in_readme


def test_the_excerpt_is_what_the_tool_prints() -> None:
    """Word for word; `python -m tests.report.readme_excerpt --write` renews it."""
    assert shown_in_readme() == excerpt()


def test_the_excerpt_shows_a_crossed_join_with_its_ruler() -> None:
    """Short enough to be read, with the verdict, a change to try, the marks of the ruler and the plan."""
    shown = shown_in_readme()

    assert 25 <= len(shown.splitlines()) <= 45
    for part in ("Crossed", "Cause", "ANALYZE", "○", "┃", "●", "error enters here"):
        assert part in shown
