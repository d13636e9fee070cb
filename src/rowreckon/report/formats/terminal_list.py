"""A list of queries on a terminal: each query's bar in letters, the changes in a few lines each, the worst joins."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from rowreckon.report.drawings.time_bars import bar_text, longest
from rowreckon.report.formats.terminal_plan import write_rulers
from rowreckon.report.formats.terminal_writer import STYLES, Writer
from rowreckon.report.story.change_lines import ChangeLine, change_groups, changes_title
from rowreckon.report.story.list_ticket import ListLine, list_ticket
from rowreckon.report.story.listing import LIST_TITLE, ListRow, letters_legend, list_rows
from rowreckon.report.story.story import join_stories
from rowreckon.report.words.changes.no_change_words import no_change_words
from rowreckon.report.words.changes.remedy_words import lock_words, statements
from rowreckon.report.words.changes.trial_words import account_lines
from rowreckon.report.words.escape import bare, quote
from rowreckon.report.words.headline import joins_by_weight, plans_by_weight
from rowreckon.report.words.numbers import count_of, milliseconds

if TYPE_CHECKING:
    from rowreckon.document.audit import Audit

_LISTED = 60  # queries; of a longer list the rest is one line, but for those that did not run to their end
_CHANGES_WITH_SQL = 3
_WORST_SHOWN = 3
_VERDICT, _TIME = 9, 8
_COLOURS = {"C": "bold red", "J": "red"}  # as in HTML: red is time in joins, bright where one crossed


def write_list_ticket(out: Writer, audit: Audit) -> None:
    """The query to look at first, what to try, what else is touched."""
    out.blank()
    for line in list_ticket(audit):
        out.label(line.label, line.said, style=STYLES["crossed"] if line.label == "Worst" else "")
        if line.command:
            _command(out, line)
        if line.note:
            out.say(line.note, 5)


def _command(out: Writer, line: ListLine) -> None:
    if line.is_sql:
        out.sql(line.command, 7)
    else:
        out.say(line.command, 7, hang=2)


def write_list(out: Writer, audit: Audit) -> None:
    """Every query on a line of its own, the longest first."""
    out.heading(LIST_TITLE)
    legend = letters_legend(audit)
    if legend:
        out.say(legend, 2)
        out.blank()
    rows = list_rows(audit)
    scale = longest([row.split for row in rows])
    ended = [row for row in rows if row.split is not None]
    shown = ended if out.verbose else ended[:_LISTED]
    kept = {row.index for row in shown}
    told = [row for row in rows if row.index in kept or row.split is None]
    tail = max((len(_tail(row)) for row in told), default=0)
    for row in told:
        _row(out, row, scale, tail)
    left = ended[len(shown) :]
    if left:
        spent = milliseconds(sum(row.ms or 0.0 for row in left))
        more = count_of(len(left), "further query", "further queries")
        out.say(f"{more} took {spent} together; --verbose lists them.", 2)


def _row(out: Writer, row: ListRow, scale: float, widest_tail: int) -> None:
    name, more = out.safe(bare(row.name)), out.safe("…")
    room = max(12, (out.width - 2 - _VERDICT - _TIME) // 3)
    line = Text("  ")
    line.append(f"{row.verdict:<{_VERDICT}} ", style="bold red" if row.verdict == "crossed" else "")
    line.append(f"{name if len(name) <= room else name[: room - len(more)] + more:<{room}} ", style="bold")
    if row.split is None:
        line.append(out.safe(bare(row.said)))
        out.piece(line, 0, 4)
        return
    line.append(f"{row.time:>{_TIME}} ")
    width = max(6, out.width - len(line.plain) - widest_tail)
    for letters, part in bar_text(row.split, scale, width):
        line.append(letters, style=_COLOURS.get(part.letter, ""))
    line.append(_tail(row))
    out.piece(line)


def _tail(row: ListRow) -> str:
    """What stands behind a bar: the time with the changes, and which changes are meant for the query."""
    now = f"  now {milliseconds(row.after_ms)}" if row.after_ms is not None else ""
    return now + (f"  ({', '.join(map(str, row.changes))})" if row.changes else "")


def write_changes(out: Writer, audit: Audit) -> None:
    """The changes in a line each, the first with their statements; of a trial what helped, then how many did not."""
    out.heading(changes_title(audit))
    if not audit.remedies:
        out.say(no_change_words(audit.plans), 2)
        return
    groups = change_groups(audit)
    above = "\n".join(line.command for line in list_ticket(audit))
    for number, line in enumerate(groups.shown):
        sql = statements(line.remedy.sql)
        is_above = bool(sql) and sql in above
        above = above.replace(sql, "", 1) if is_above else above
        _change(out, line, with_sql=number < _CHANGES_WITH_SQL and not is_above)
    if groups.folded:
        out.blank()
        out.say(f"{groups.fold}:", 2)
        for line in groups.folded:
            _change(out, line, with_sql=False)
    out.blank()
    out.say("--verbose shows the statements, undo, locks and cautions of every change.", 2)
    out.items("How they were tried", account_lines(audit))


def _change(out: Writer, line: ChangeLine, *, with_sql: bool) -> None:
    verdict = f" [{line.verdict}]" if line.verdict else ""
    out.label(f"{line.remedy.rank}.", f"{line.title}{verdict}", 2)
    out.say(line.said, 5)
    if with_sql and line.remedy.sql:
        out.sql(statements(line.remedy.sql), 7)
        out.say(lock_words(line.remedy), 5)


def write_worst(out: Writer, audit: Audit) -> None:
    """The worst joins with the rulers that decide, one of each plan."""
    worst = [(audit.plans[index], joins_by_weight(audit.plans[index])) for index in plans_by_weight(audit)]
    shown = [plan for plan, joins in worst if joins and joins[0].verdict != "accurate"][:_WORST_SHOWN]
    if not shown:
        return
    out.heading("The worst joins")
    for number, plan in enumerate(shown):
        if number:
            out.blank()
        story = join_stories(plan)[0]
        out.label(story.join.verdict, f"{quote(plan.source)}, {story.title}", 2, STYLES.get(story.join.verdict, ""))
        out.say(story.sentence, 4)
        write_rulers(out, story.join, deciding_only=True)
        for finding in story.findings:
            out.say(f"Cause: {finding.title}.", 4, hang=2)
