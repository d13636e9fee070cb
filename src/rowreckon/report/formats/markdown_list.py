"""A list of queries as Markdown: a table with bars in letters, and the changes in a line each."""

from __future__ import annotations

from rowreckon.document.audit import Audit
from rowreckon.report.drawings.time_bars import bar_text, longest
from rowreckon.report.formats.markdown_budget import Block
from rowreckon.report.story.change_lines import ChangeLine, change_groups
from rowreckon.report.story.listing import ListRow, list_note, list_rows
from rowreckon.report.words.escape import clean, markdown, markdown_code
from rowreckon.report.words.list_headline import whole_split
from rowreckon.report.words.numbers import count_of, milliseconds
from rowreckon.report.words.part_words import shares
from rowreckon.report.words.trial_headline import trial_result, was_tried

_LISTED = 300
_WIDTH = 24
_WHOLE = 3  # changes with all that is known of them


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


def change_blocks(audit: Audit) -> tuple[tuple[ChangeLine, ...], list[Block]]:
    """The changes to tell of whole, and all others as lists of a line each."""
    groups = change_groups(audit)
    whole, brief = groups.shown[:_WHOLE], groups.shown[_WHOLE:]
    blocks = [Block(_lines(brief), "further changes", by_line=True)] if brief else []
    if groups.folded:
        folded = f"### {markdown(groups.fold)}\n\n{_lines(groups.folded)}"
        blocks.append(Block(folded, "changes that did not help", by_line=True))
    return whole, blocks


def _lines(lines: tuple[ChangeLine, ...]) -> str:
    """A line each, with the statements: what is copied from a ticket must stand in it."""
    return "\n".join(map(_line, lines))


def _line(line: ChangeLine) -> str:
    verdict = f" ({line.verdict})" if line.verdict else ""
    sql = "".join(f" {markdown_code(clean(statement))}" for statement in line.remedy.sql)
    return f"- {line.remedy.rank}. {markdown(line.title)}{verdict}: {markdown(line.said)}{sql}"
