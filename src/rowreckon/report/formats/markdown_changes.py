"""The changes to try as Markdown: with all that is known of them, or in a line each."""

from __future__ import annotations

from rowreckon.document.audit import Audit
from rowreckon.report.formats.markdown_budget import Block
from rowreckon.report.formats.markdown_pieces import drawn_rulers, items, table
from rowreckon.report.story.change_lines import ChangeLine, change_groups, changes_title
from rowreckon.report.story.remedy_story import RemedyStory, remedies_story
from rowreckon.report.words.changes.no_change_words import no_change_words
from rowreckon.report.words.changes.trial_words import account_lines
from rowreckon.report.words.escape import clean, markdown, markdown_code, markdown_fence

_WHOLE = 3  # changes of a list with all that is known of them


def plan_changes(audit: Audit) -> list[Block]:
    """The changes for one plan, each whole."""
    return _section(audit, {remedy.rank for remedy in audit.remedies}, [])


def list_changes(audit: Audit) -> list[Block]:
    """The changes for a list: the first whole, each other in a line, those that did not help last."""
    groups = change_groups(audit)
    whole, brief = groups.shown[:_WHOLE], groups.shown[_WHOLE:]
    blocks = [Block(_lines(brief), "further changes", by_line=True)] if brief else []
    if groups.folded:
        folded = f"### {markdown(groups.fold)}\n\n{_lines(groups.folded)}"
        blocks.append(Block(folded, "changes that did not help", by_line=True))
    return _section(audit, {line.remedy.rank for line in whole}, blocks)


def _section(audit: Audit, whole: set[int], brief: list[Block]) -> list[Block]:
    """The heading, the changes of these ranks, the `brief` ones, and what holds for all."""
    blocks = [Block(f"## {changes_title(audit)}", "the heading of the changes to try")]
    if not audit.remedies:
        return [*blocks, Block(markdown(no_change_words(audit.plans)), "why no change is proposed")]
    story = remedies_story(audit.remedies, audit.plans)
    blocks += [Block(_change(one), f"change {one.rank}") for one in story.remedies if one.rank in whole]
    blocks += brief
    if story.shared:
        blocks.append(Block(f"### What holds for several changes\n\n{items(story.shared)}", "cautions on changes"))
    account = account_lines(audit)
    if account:
        blocks.append(Block(f"### How they were tried\n\n{items(account)}", "how the changes were tried"))
    return blocks


def _change(remedy: RemedyStory) -> str:
    """One change with all that is known of it."""
    parts = [f"### {remedy.rank}. {markdown(remedy.title)}", markdown(remedy.reason)]
    if remedy.check_first:
        parts += ["Check first:", markdown_fence(remedy.check_first, "sql"), *(["Run:"] if remedy.sql else [])]
    if remedy.sql:
        parts.append(markdown_fence(remedy.sql, "sql"))
    if remedy.undo:
        parts += ["Undo:", markdown_fence(remedy.undo, "sql")]
    lines = [*remedy.notes, *remedy.cautions, *([remedy.untold] if remedy.untold else [])]
    if lines:
        parts.append(items(lines))
    for pair in remedy.pairs:
        parts += [markdown(pair.lead), drawn_rulers((pair.before, pair.after)), markdown(pair.now)]
    if remedy.side_effects:
        parts.append("Side effects on other queries:")
        parts.append(table(("query", "plan", "before", "after", "time"), remedy.side_effects, right=(2, 3)))
    return "\n\n".join(parts)


def _lines(lines: tuple[ChangeLine, ...]) -> str:
    """A line each, with the statements: what is copied from a ticket must stand in it."""
    return "\n".join(map(_line, lines))


def _line(line: ChangeLine) -> str:
    verdict = f" ({line.verdict})" if line.verdict else ""
    sql = "".join(f" {markdown_code(clean(statement))}" for statement in line.remedy.sql)
    return f"- {line.remedy.rank}. {markdown(line.title)}{verdict}: {markdown(line.said)}{sql}"
