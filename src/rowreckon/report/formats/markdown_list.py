"""A list of queries as Markdown: a table with bars in letters, and the changes in a line each."""

from __future__ import annotations

from rowreckon.document.audit import Audit
from rowreckon.report.drawings.time_bars import bar_text, longest
from rowreckon.report.formats.markdown_budget import Block
from rowreckon.report.story.change_lines import ChangeLine, change_groups
from rowreckon.report.story.listing import ListRow, list_note, list_rows
from rowreckon.report.words.escape import markdown, markdown_fence
from rowreckon.report.words.list_headline import whole_split
from rowreckon.report.words.numbers import count_of, milliseconds
from rowreckon.report.words.part_words import shares
from rowreckon.report.words.remedy_words import statements
from rowreckon.report.words.trial_headline import trial_result, was_tried

_LISTED = 300
_WIDTH = 24
_CHANGES_WITH_SQL = 3


def list_block(audit: Audit) -> Block:
    """The table of all queries, the longest first; of a very long list those that did not run to their end are kept."""
    result = trial_result(audit) if was_tried(audit) else None
    rows = list_rows(audit, result.after if result is not None else None)
    scale = longest([row.split for row in rows])
    ended = [row for row in rows if row.split is not None][:_LISTED]
    kept = {row.index for row in ended}
    head = "| verdict | query | time | where it goes | changes |\n| --- | --- | ---: | --- | --- |"
    lines = [_row(row, scale) for row in rows if row.index in kept or row.split is None]
    whole = whole_split(audit)
    parts = "; ".join(f"{part.letter} {part.name} {said}" for part, said in shares(whole)) if whole is not None else ""
    left = len(rows) - len(lines)
    more = f" {count_of(left, 'further query', 'further queries')} in the JSON and HTML outputs." if left else ""
    note = f"{list_note(with_changes=result is not None)}{more}"
    text = "\n\n".join(
        (
            "## Where each query's time goes, the longest first",
            *([markdown(f"{parts}.")] if parts else []),
            "\n".join([head, *lines]),
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
    changes = ", ".join(map(str, row.changes)) or " "
    return f"| {row.verdict} | {markdown(row.name, cell=True)} | {time} | {where} | {changes} |"


def change_blocks(audit: Audit) -> list[Block]:
    """The changes: those that are worth a look first, with the statements of the first ones."""
    groups = change_groups(audit)
    blocks = [
        Block(_change(line, with_sql=number < _CHANGES_WITH_SQL), f"change {line.remedy.rank}")
        for number, line in enumerate(groups.shown)
    ]
    if groups.folded:
        lines = "\n".join(
            f"- {line.remedy.rank}. {markdown(line.title)} ({line.verdict}): {markdown(line.said)}"
            for line in groups.folded
        )
        blocks.append(Block(f"### {markdown(groups.fold)}\n\n{lines}", "changes that did not help", by_line=True))
    return blocks


def _change(line: ChangeLine, *, with_sql: bool) -> str:
    verdict = f" ({line.verdict})" if line.verdict else ""
    parts = [f"### {line.remedy.rank}. {markdown(line.title)}{verdict}", markdown(line.said)]
    if with_sql and line.remedy.sql:
        parts.append(markdown_fence(statements(line.remedy.sql), "sql"))
    return "\n\n".join(parts)
