"""A list of queries as Markdown: what was found, the best change, a table with bars in letters."""

from __future__ import annotations

from rowreckon.document.audit import Audit
from rowreckon.report.drawings.time_bars import bar_text, longest
from rowreckon.report.formats.markdown_budget import Block
from rowreckon.report.formats.markdown_pieces import head, line_block
from rowreckon.report.story.list_ticket import list_ticket
from rowreckon.report.story.listing import LIST_TITLE, ListRow, letters_legend, list_note, list_rows
from rowreckon.report.story.overview import counts_words
from rowreckon.report.words.escape import markdown
from rowreckon.report.words.facts_words import facts_words
from rowreckon.report.words.list_headline import crossed_before, list_headline, list_time_sentence
from rowreckon.report.words.numbers import count_of, milliseconds
from rowreckon.report.words.sources import folder_words

_LISTED = 300
_WIDTH = 24


def list_blocks(audit: Audit, folder: str) -> list[Block]:
    """What was found, the best change, and the table of all queries."""
    counted = counts_words(audit) + folder_words(audit, folder)
    where = f"{', '.join(facts_words(audit.plans, audit.tool_version))}."
    spent = " ".join(part for part in (crossed_before(audit), list_time_sentence(audit)) if part)
    found = head(audit, list_headline(audit), spent, counted, where)
    return [found, *map(line_block, list_ticket(audit)), _table_of_queries(audit)]


def _table_of_queries(audit: Audit) -> Block:
    """All queries, the longest first; of a very long list those that did not run to their end are kept."""
    rows = list_rows(audit)
    scale = longest([row.split for row in rows])
    ended = [row for row in rows if row.split is not None][:_LISTED]
    kept = {row.index for row in ended}
    named = "| verdict | query | time | where it goes | changes |\n| --- | --- | ---: | --- | --- |"
    lines = [_row(row, scale) for row in rows if row.index in kept or row.split is None]
    legend = letters_legend(audit)
    left = len(rows) - len(lines)
    more = f" {count_of(left, 'further query', 'further queries')} in the JSON and HTML outputs." if left else ""
    note = f"{list_note(audit)}{more}"
    text = "\n\n".join(
        (
            f"## {LIST_TITLE}",
            *([markdown(legend)] if legend else []),
            "\n".join([named, *lines]),
            markdown(note),
        )
    )
    return Block(text, "rows of the table of queries", by_line=True)


def _row(row: ListRow, scale: float) -> str:
    time = row.time
    if row.after_ms is not None:
        time += f", now {milliseconds(row.after_ms)}"
    if row.split is None:
        where = markdown(row.said, cell=True)
    else:
        letters = "".join(text for text, _ in bar_text(row.split, scale, _WIDTH))
        where = f"`{letters}`" if letters else " "
    changes = ", ".join(map(str, row.changes)) or ("none" if row.lacks_change else " ")
    return f"| {row.verdict} | {markdown(row.name, cell=True)} | {time} | {where} | {changes} |"
