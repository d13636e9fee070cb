"""The page of a list of queries: the picture of the list first, then the changes in a line each, then the evidence."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from rowreckon.document.audit import Audit
from rowreckon.frozen import frozen
from rowreckon.report.drawings.svg import PATTERNS
from rowreckon.report.drawings.time_bars import longest
from rowreckon.report.drawings.time_bars_svg import swatches, time_bar, time_patterns
from rowreckon.report.formats.html.page import environment, plan_parts, styled
from rowreckon.report.story.change_lines import ChangeLine, change_groups, changes_title
from rowreckon.report.story.listing import ListRow, list_note, list_rows
from rowreckon.report.story.overview import counts_words, fold_row, verdict_legend
from rowreckon.report.story.remedy_story import RemedyStory, remedies_story
from rowreckon.report.story.story import no_remedy_words
from rowreckon.report.words.baseline_words import baseline_lines
from rowreckon.report.words.escape import bare, clean, quote
from rowreckon.report.words.headline import plans_by_weight
from rowreckon.report.words.list_headline import list_headline, list_time_sentence, whole_split
from rowreckon.report.words.numbers import count_of, milliseconds
from rowreckon.report.words.sentences import CAUTIONS
from rowreckon.report.words.sources import folder_words, with_short_sources
from rowreckon.report.words.trial_headline import trial_result, was_tried
from rowreckon.report.words.trial_words import account_lines

_ROWS = 3_000
_CHANGES = 200


@frozen
class _Row:
    row: ListRow
    bar: Markup
    after: str
    linked: bool


def render_list(audit: Audit) -> str:
    """The audit of several plans as one self-contained HTML document: same audit, same bytes."""
    audit, folder = with_short_sources(audit)
    order = plans_by_weight(audit)
    parts, left_out = plan_parts(audit, order, most_open=1)
    style, style_hash = styled("style.css", "list.css")
    result = trial_result(audit) if was_tried(audit) else None
    rows = list_rows(audit, result.after if result is not None else None)
    groups = change_groups(audit)
    stories = remedies_story(audit.remedies[:_CHANGES], audit.plans)
    return (
        environment()
        .get_template("list.html.j2")
        .render(
            style=style,
            style_hash=style_hash,
            patterns=PATTERNS,
            time_patterns=time_patterns(),
            title=f"{count_of(len(audit.plans), 'query', 'queries')} audited: {bare(list_headline(audit))}"[:70],
            headline=list_headline(audit),
            time_sentence=list_time_sentence(audit),
            counts=counts_words(audit) + folder_words(audit, folder),
            compared=baseline_lines(audit),
            list_title="Where each query's time goes, the longest first",
            list_note=list_note(with_changes=result is not None),
            legend_parts=swatches(whole_split(audit)),
            rows=_drawn(rows[:_ROWS], set(order[: len(parts)])),
            rows_left_out=max(0, len(rows) - _ROWS),
            try_title=changes_title(audit),
            changes=_paired(groups.shown, stories.remedies),
            folded=_paired(groups.folded, stories.remedies),
            fold=groups.fold,
            changes_left_out=len(audit.remedies) - len(stories.remedies),
            shared=stories.shared,
            account=account_lines(audit),
            no_remedy=no_remedy_words(audit),
            folds=[fold_row(fold) for fold in audit.folds],
            parts=parts,
            left_out=left_out,
            rejected=[(quote(r.source), clean(r.where or ""), clean(r.reason)) for r in audit.rejected],
            legend=verdict_legend(audit),
            cautions=CAUTIONS,
            tool_version=clean(audit.tool_version),
        )
    )


def _drawn(rows: Sequence[ListRow], shown: set[int]) -> list[_Row]:
    scale = longest([row.split for row in rows])
    return [
        _Row(
            row,
            time_bar(row.split, scale, bare(row.name), row.after_ms) if row.split is not None else Markup(""),
            milliseconds(row.after_ms) if row.after_ms is not None else "",
            row.index in shown,
        )
        for row in rows
    ]


def _paired(lines: Sequence[ChangeLine], stories: Sequence[RemedyStory]) -> list[tuple[ChangeLine, RemedyStory]]:
    by_rank = {story.rank: story for story in stories}
    return [(line, by_rank[line.remedy.rank]) for line in lines if line.remedy.rank in by_rank]
