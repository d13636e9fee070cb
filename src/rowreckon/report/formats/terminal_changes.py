"""The changes to try on a terminal: with all that is known of them, or beside a ticket that has told of the first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.report.drawings.before_after import BeforeAfter
from rowreckon.report.formats.terminal_plan import write_ruler
from rowreckon.report.formats.terminal_writer import Writer
from rowreckon.report.story.change_lines import changes_title
from rowreckon.report.story.remedy_story import RemedyStory, remedies_story
from rowreckon.report.story.ticket import Ticket
from rowreckon.report.words.changes.no_change_words import no_change_words
from rowreckon.report.words.changes.trial_words import account_lines
from rowreckon.report.words.numbers import count_of, listed

if TYPE_CHECKING:
    from rowreckon.document.audit import Audit

_CHANGES_SHOWN = 5
_CAUTIONS_SHOWN = 3


def write_all_changes(out: Writer, audit: Audit) -> None:
    """Every change with all that is known of it."""
    out.heading(changes_title(audit))
    if not audit.remedies:
        out.say(no_change_words(audit.plans), 2)
    story = remedies_story(audit.remedies, audit.plans)
    for number, remedy in enumerate(story.remedies):
        if number:
            out.blank()
        _change(out, remedy)
    if story.shared:
        out.blank()
        for caution in story.shared:
            out.say(f"Caution: {caution}", 2, hang=2)
    out.items("How they were tried", account_lines(audit))


def write_changes_beside(out: Writer, audit: Audit, told: Ticket) -> None:
    """What is left to say of the ticket's change; of each other one what it is and why."""
    if not audit.remedies:
        out.items("How they were tried", account_lines(audit))
        return
    out.heading(changes_title(audit))
    shown = remedies_story(audit.remedies[:_CHANGES_SHOWN], audit.plans).remedies
    others = [remedy for remedy in shown if remedy.sql != told.command]
    for remedy in shown:
        if remedy.sql == told.command:
            if others:
                out.label(f"{remedy.rank}.", f"{told.lead} (above)", 2)
            _rest_of_told(out, remedy, told)
    for remedy in others:
        out.label(f"{remedy.rank}.", remedy.title, 2)
        out.say(remedy.reason, 5)
        for note in remedy.notes:
            if note.startswith("Tried"):
                out.say(note, 5)
    if others:
        named = listed([f"change {other.rank}" for other in others], 9)
        out.say(f"--verbose shows statements, undo and cautions of {named}.", 5)
    left = len(audit.remedies) - len(shown)
    if left:
        out.blank()
        out.say(f"{count_of(left, 'further change')} not shown; --verbose shows all.", 2)
    out.items("How they were tried", account_lines(audit))


def _change(out: Writer, remedy: RemedyStory) -> None:
    """One change with all that is known of it."""
    out.label(f"{remedy.rank}.", remedy.title, 2)
    out.say(remedy.reason, 5)
    if remedy.check_first:
        out.say("Check first:", 5)
        out.sql(remedy.check_first, 7)
        if remedy.sql:
            out.say("Run:", 5)
    if remedy.sql:
        out.sql(remedy.sql, 7)
    _undo(out, remedy)
    if remedy.notes:
        out.say(" ".join(remedy.notes), 5)
    for caution in remedy.cautions:
        out.say(caution, 5, hang=2)
    for pair in remedy.pairs:
        _pair(out, pair)
    _side_effects(out, remedy)
    for other in remedy.others:
        out.say(f"- {other}", 7, hang=2)


def _rest_of_told(out: Writer, remedy: RemedyStory, told: Ticket) -> None:
    """What the ticket did not say of its change."""
    if remedy.check_first:
        out.say("Before the statements above, check what is there: --verbose shows the query.", 5)
    _undo(out, remedy)
    notes = [note for note in remedy.notes[1:] if note not in told.touches]
    if notes:
        out.say(" ".join(notes), 5)
    for caution in remedy.cautions[:_CAUTIONS_SHOWN]:
        out.say(caution, 5, hang=2)
    left = len(remedy.cautions) - _CAUTIONS_SHOWN
    if left > 0:
        out.say(f"{count_of(left, 'further caution')}; --verbose shows all.", 5)
    for pair in remedy.pairs[:1]:
        _pair(out, pair)
    _side_effects(out, remedy)


def _undo(out: Writer, remedy: RemedyStory) -> None:
    if not remedy.undo:
        return
    if "\n" not in remedy.undo and len(remedy.undo) + 11 <= out.width:
        out.label("Undo:", remedy.undo, 5)
        return
    out.say("Undo:", 5)
    out.sql(remedy.undo, 7)


def _pair(out: Writer, pair: BeforeAfter) -> None:
    """One join before and after a change."""
    out.blank()
    out.say(pair.lead, 5)
    for ruler in (pair.before, pair.after):
        out.blank()
        write_ruler(out, ruler, 7)
    out.blank()
    out.say(pair.now, 5)


def _side_effects(out: Writer, remedy: RemedyStory) -> None:
    for query, plan, before, after, time in remedy.side_effects:
        spent = f", {before} before, {after} after" if before != "–" or after != "–" else ""
        out.say(f"Side effect on {query}: {plan}{spent}, {time}.", 5, hang=2)
    if remedy.untold:
        out.say(remedy.untold, 5, hang=2)
