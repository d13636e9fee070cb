"""The page of a list of queries: the picture of the list first, then the changes in a line each, then the evidence."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from rowreckon.document.audit import Audit
from rowreckon.frozen import frozen
from rowreckon.report.drawings.svg import PATTERNS
from rowreckon.report.drawings.time_bars import longest
from rowreckon.report.drawings.time_bars_svg import swatches, time_bar, time_patterns
from rowreckon.report.formats.html.audit_page import audit_page
from rowreckon.report.formats.html.environment import LIST_STYLE
from rowreckon.report.formats.html.evidence import evidence_parts
from rowreckon.report.story.change_lines import ChangeLine, change_groups, changes_title
from rowreckon.report.story.list_ticket import list_ticket
from rowreckon.report.story.listing import LIST_TITLE, ListRow, list_note, list_rows
from rowreckon.report.story.remedy_story import RemedyStory, remedies_story
from rowreckon.report.words.changes.no_change_words import no_change_words
from rowreckon.report.words.changes.trial_words import account_lines
from rowreckon.report.words.escape import bare
from rowreckon.report.words.facts_words import facts_words
from rowreckon.report.words.headline import plans_by_weight
from rowreckon.report.words.list_headline import crossed_before, list_headline, list_time_sentence
from rowreckon.report.words.list_splits import whole_split
from rowreckon.report.words.numbers import count_of, milliseconds

_ROWS = 3_000
_CHANGES = 200


@frozen
class _Row:
    row: ListRow
    bar: Markup
    after: str
    linked: bool


def render_list(audit: Audit, folder: str) -> str:
    """The audit of several plans as a document; `folder` is where they lie."""
    order = plans_by_weight(audit)
    evidence = evidence_parts(audit, order)
    rows = list_rows(audit)
    groups = change_groups(audit)
    story = remedies_story(audit.remedies[:_CHANGES], audit.plans)
    headline = list_headline(audit)
    whole = whole_split(audit)
    lines = list_ticket(audit)
    more = (crossed_before(audit), "" if whole is not None else list_time_sentence(audit))
    return audit_page(
        "list.html.j2",
        audit,
        folder,
        title=f"{count_of(len(audit.plans), 'query', 'queries')} audited: {bare(headline)}"[:70],
        sheets=LIST_STYLE,
        patterns=(PATTERNS, time_patterns()),
        evidence=evidence,
        headline=headline,
        facts=facts_words(audit.plans, audit.tool_version),
        lines=lines,
        told_above=any(line.command for line in lines),
        time_sentence=" ".join(part for part in more if part),
        list_title=LIST_TITLE,
        list_note=list_note(audit),
        legend_parts=swatches(whole),
        rows=_drawn(rows[:_ROWS], set(order[: len(evidence[0])])),
        rows_left_out=max(0, len(rows) - _ROWS),
        changes_title=changes_title(audit),
        changes=_paired(groups.shown, story.remedies),
        folded=_paired(groups.folded, story.remedies),
        fold=groups.fold,
        changes_left_out=len(audit.remedies) - len(story.remedies),
        shared=story.shared,
        account=account_lines(audit),
        no_remedy=no_change_words(audit.plans),
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
