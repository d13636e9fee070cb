"""A comparison as one self-contained HTML file: each query that differs with its two bars of time on one scale."""

from __future__ import annotations

from markupsafe import Markup

from rowreckon.document.audit import Plan, TimeBy
from rowreckon.frozen import frozen
from rowreckon.report.comparing.compare import Comparison, PlanComparison
from rowreckon.report.drawings.time_bars import longest
from rowreckon.report.drawings.time_bars_svg import swatches, time_bar, time_patterns
from rowreckon.report.formats.compare_text import comparison_counts, comparison_headline, other_sections, sides, told
from rowreckon.report.formats.html.environment import LIST_STYLE, page
from rowreckon.report.story.compared_query import plan_lines, query_title
from rowreckon.report.story.comparison_ticket import comparison_ticket
from rowreckon.report.words.escape import bare
from rowreckon.report.words.list_splits import as_long_as
from rowreckon.report.words.numbers import milliseconds
from rowreckon.report.words.part_words import PARTS_OF_TIME, split_of, whole_of
from rowreckon.version import __version__


@frozen
class _Compared:
    title: str
    bars: tuple[tuple[str, Markup, str], ...]
    lines: tuple[str, ...]


def comparison_html(comparison: Comparison, *, verbose: bool = False) -> str:
    """The comparison as an HTML document: same comparison, same bytes."""
    shown = told(comparison, verbose=verbose)
    splits = [split for item in shown for split in _splits(item)]
    scale = longest(splits)
    return page(
        "compare.html.j2",
        title="rowreckon: before and after",
        sheets=LIST_STYLE,
        patterns=(time_patterns(),),
        sides=sides(comparison),
        tool_version=__version__,
        headline=comparison_headline(comparison),
        counts=comparison_counts(comparison),
        lines=comparison_ticket(comparison),
        legend_parts=swatches(_summed(splits)),
        plans=[_compared(item, scale) for item in shown],
        others=other_sections(comparison),
    )


def _compared(item: PlanComparison, scale: float) -> _Compared:
    title = query_title(item)
    bars = []
    medians = item.times.medians or (None, None)
    for word, split, median in zip(("before", "after"), _splits(item), medians, strict=True):
        if split is not None:
            # the median itself, as the words tell it: the sum of its parts may round otherwise
            took = milliseconds(whole_of(split) if median is None else median)
            bars.append((word, time_bar(split, scale, f"{bare(title)}, {word}"), took))
    return _Compared(title, tuple(bars), tuple(plan_lines(item)))


def _splits(item: PlanComparison) -> tuple[TimeBy | None, TimeBy | None]:
    """Both sides' parts of the time, each as long as the median that the words tell."""
    medians = item.times.medians or (None, None)
    return _split(item.before, medians[0]), _split(item.after, medians[1])


def _split(plan: Plan, ms: float | None) -> TimeBy | None:
    split = split_of(plan) if plan.outcome == "ran" else None
    return as_long_as(split, ms) if split is not None else None


def _summed(splits: list[TimeBy | None]) -> TimeBy | None:
    known = [split for split in splits if split is not None]
    if not known:
        return None
    return TimeBy(**{part.key: sum(getattr(split, part.key) for split in known) for part in PARTS_OF_TIME})
