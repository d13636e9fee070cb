"""The report on a terminal: verdict first, then what to try, then the evidence.

Readable at 60 columns and without colour; rich decides about colour (NO_COLOR, pipes). No text is parsed as markup.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.plural import noun
from rowreckon.report.drawings.before_after import BeforeAfter
from rowreckon.report.formats.terminal_list import write_changes, write_list
from rowreckon.report.formats.terminal_plan import (
    write_evidence,
    write_picture,
    write_ruler,
    write_rulers,
    write_ticket,
)
from rowreckon.report.formats.terminal_writer import STYLES, Writer
from rowreckon.report.story.overview import counts_words, fold_row, plan_lines, verdict_legend
from rowreckon.report.story.remedy_story import RemedyStory, remedies_story
from rowreckon.report.story.story import join_stories, no_remedy_words
from rowreckon.report.story.ticket import Ticket, ticket
from rowreckon.report.words.baseline_words import baseline_lines
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.headline import audit_headline, audit_time_sentence
from rowreckon.report.words.numbers import capitalised, count_of, listed
from rowreckon.report.words.sentences import CAUTIONS
from rowreckon.report.words.sources import folder_words, with_short_sources
from rowreckon.report.words.ticket_words import TICKET_CAUTIONS
from rowreckon.report.words.trial_words import account_lines

if TYPE_CHECKING:
    from rich.console import Console

    from rowreckon.document.audit import Audit

_WORST_SHOWN = 3
_JOINS_SHOWN = 5
_CAUTIONS_SHOWN = 3
_REMEDIES_SHOWN = 5


def render_terminal(audit: Audit, console: Console, *, verbose: bool = False) -> None:
    """Print the audit; `verbose` shows every plan, join and node."""
    audit, folder = with_short_sources(audit)
    out = Writer(console, verbose=verbose)
    if len(audit.plans) == 1:
        _one_plan(out, audit, folder)
    else:
        _many_plans(out, audit, folder)
    _rejected(out, audit)
    _last(out, audit)
    out.flush()


def _one_plan(out: Writer, audit: Audit, folder: str) -> None:
    told = ticket(audit, 0)
    write_ticket(out, told)
    _compared(out, audit)
    write_picture(out, audit.plans[0])
    _remedies(out, audit, told=told)
    _folds(out, audit)
    write_evidence(out, audit.plans[0], told=told)
    if out.verbose:
        out.label("Counted", counts_words(audit) + folder_words(audit, folder), 2)


def _many_plans(out: Writer, audit: Audit, folder: str) -> None:
    out.label("Verdict", audit_headline(audit))
    time = audit_time_sentence(audit)
    if time:
        out.label("Time", time)
    if audit.plans:
        out.label("Counted", counts_words(audit) + folder_words(audit, folder))
    _compared(out, audit)
    if audit.plans:
        write_list(out, audit)
    if out.verbose or not audit.remedies:
        _remedies(out, audit)
    else:
        write_changes(out, audit)
        out.items("How they were tried", account_lines(audit))
    if audit.plans and not out.verbose:
        _worst(out, audit)
    _folds(out, audit)
    if out.verbose:
        for line in plan_lines(audit):
            plan = audit.plans[line.index]
            out.heading(f"Plan: {quote(plan.source)}")
            write_ticket(out, ticket(audit, line.index))
            write_picture(out, plan)
            write_evidence(out, plan)
    elif audit.plans:
        out.blank()
        out.say("--verbose shows the evidence of every plan; so does an HTML report (--report FILE.html).")


def _compared(out: Writer, audit: Audit) -> None:
    for number_, sentence in enumerate(baseline_lines(audit)):
        out.label("Baseline", sentence) if number_ == 0 else out.say(sentence, 2, hang=2)


def _last(out: Writer, audit: Audit) -> None:
    if len(audit.plans) == 1 and not out.verbose:
        out.blank()
        out.label("Cautions", " ".join(TICKET_CAUTIONS))
        return
    if verdicts := verdict_legend(audit):
        out.heading("What the verdicts mean")
        out.say(f"{capitalised(verdicts)}.", 2)
    out.heading("Cautions")
    for caution in CAUTIONS:
        out.say(f"- {caution}", 2, hang=2)


def _remedies(out: Writer, audit: Audit, told: Ticket | None = None) -> None:
    out.heading("What to try")
    if not audit.remedies:
        out.say(no_remedy_words(audit), 2)
        return
    shown = remedies_story(audit.remedies if out.verbose else audit.remedies[:_REMEDIES_SHOWN], audit.plans)
    if told is not None and not out.verbose:
        _beside_the_ticket(out, shown.remedies, told)
        shown = replace(shown, shared=())
    else:
        for number, remedy in enumerate(shown.remedies):
            if number:
                out.blank()
            _remedy(out, remedy)
    if shown.shared:
        out.blank()
        for caution in shown.shared:
            out.say(f"Caution: {caution}", 2, hang=2)
    left = len(audit.remedies) - len(shown.remedies)
    if left:
        out.blank()
        out.say(f"{count_of(left, 'further change')} not shown; --verbose shows all.", 2)
    out.items("How they were tried", account_lines(audit))


def _beside_the_ticket(out: Writer, remedies: tuple[RemedyStory, ...], told: Ticket) -> None:
    """All that is left to say of the ticket's change; of each other one what it is and why."""
    others = [remedy for remedy in remedies if remedy.sql != told.command]
    for remedy in remedies:
        if remedy.sql == told.command:
            if others:
                out.label(f"{remedy.rank}.", f"{told.lead} (above)", 2)
            _rest_of_told(out, remedy)
    for remedy in others:
        out.label(f"{remedy.rank}.", remedy.title, 2)
        out.say(remedy.reason, 5)
        for note in remedy.notes:
            if note.startswith("Tried"):
                out.say(note, 5)
    if others:
        out.say(
            f"--verbose shows statements, undo and cautions of {listed([f'change {o.rank}' for o in others], 9)}.", 5
        )


def _remedy(out: Writer, remedy: RemedyStory) -> None:
    """One change with all that is known of it."""
    out.label(f"{remedy.rank}.", remedy.title, 2)
    out.say(remedy.reason, 5)
    if remedy.check_first:
        out.say("Check first:", 5)
        out.sql(remedy.check_first, 7)
        out.say("Run:", 5)
    if remedy.sql:
        out.sql(remedy.sql, 7)
    _undo(out, remedy)
    if remedy.notes:
        out.say(" ".join(remedy.notes), 5)
    for caution in remedy.cautions:
        out.say(caution, 5, hang=2)
    for pair in remedy.pairs if out.verbose else remedy.pairs[:1]:
        _pair(out, pair)
    _side_effects(out, remedy)


def _side_effects(out: Writer, remedy: RemedyStory) -> None:
    for query, plan, before, after, time in remedy.side_effects:
        spent = f", {before} before, {after} after" if before != "–" or after != "–" else ""
        out.say(f"Side effect on {query}: {plan}{spent}, {time}.", 5, hang=2)
    if remedy.untold:
        out.say(remedy.untold, 5, hang=2)
    if out.verbose:
        for other in remedy.others:
            out.say(f"- {other}", 7, hang=2)


def _undo(out: Writer, remedy: RemedyStory) -> None:
    if not remedy.undo:
        return
    if "\n" not in remedy.undo and len(remedy.undo) + 11 <= out.width:
        out.label("Undo:", remedy.undo, 5)
        return
    out.say("Undo:", 5)
    out.sql(remedy.undo, 7)


def _rest_of_told(out: Writer, remedy: RemedyStory) -> None:
    """What the ticket did not say of its change."""
    if remedy.check_first:
        out.say("Before the statements above, check what is there: --verbose shows the query.", 5)
    _undo(out, remedy)
    if remedy.notes[1:]:
        out.say(" ".join(remedy.notes[1:]), 5)
    for caution in remedy.cautions[:_CAUTIONS_SHOWN]:
        out.say(caution, 5, hang=2)
    left = len(remedy.cautions) - _CAUTIONS_SHOWN
    if left > 0:
        out.say(f"{count_of(left, 'further caution')}; --verbose shows all.", 5)
    for pair in remedy.pairs[:1]:
        _pair(out, pair)
    _side_effects(out, remedy)


def _pair(out: Writer, pair: BeforeAfter) -> None:
    """One join before and after a change."""
    out.blank()
    out.say(pair.lead, 5)
    for ruler in (pair.before, pair.after):
        out.blank()
        write_ruler(out, ruler, 7)
    out.blank()
    out.say(pair.now, 5)


def _worst(out: Writer, audit: Audit) -> None:
    """The worst joins with their rulers, one of each plan: what to look at before the list of all plans."""
    shown = [line.index for line in plan_lines(audit) if line.verdict != "accurate" and audit.plans[line.index].joins]
    if not shown:
        return
    out.heading("The worst joins")
    for number, index in enumerate(shown[:_WORST_SHOWN]):
        if number:
            out.blank()
        plan = audit.plans[index]
        story = join_stories(plan)[0]
        out.label(story.join.verdict, f"{quote(plan.source)}, {story.title}", 2, STYLES.get(story.join.verdict, ""))
        out.say(story.sentence, 4)
        write_rulers(out, story.join, deciding_only=True)
        for finding in story.findings:
            out.say(f"Cause: {finding.title}.", 4, hang=2)


def _folds(out: Writer, audit: Audit) -> None:
    if not audit.folds:
        return
    out.heading("Queries that recur")
    for fold in audit.folds:
        name, often, span, crossed, lost, errors = fold_row(fold)
        often, crossed = noun(often, "time"), noun(crossed, "time")
        out.say(f"- {name}: {often}, {span}; crossed {crossed}; lost {lost}; q-errors {errors}", 2, hang=2)


def _rejected(out: Writer, audit: Audit) -> None:
    if not audit.rejected:
        return
    out.heading("Inputs that could not be read")
    for item in audit.rejected:
        where = f" at {clean(item.where)}" if item.where else ""
        out.say(f"- {quote(item.source)}{where}: {clean(item.reason).rstrip('.')}.", 2, hang=2)
