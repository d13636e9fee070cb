"""The report on a terminal: verdict first, then what to try, then the evidence.

Readable at 60 columns and without colour; rich decides about colour (NO_COLOR, pipes). No text is parsed as markup.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.plural import noun
from rowreckon.report.formats.terminal_changes import write_all_changes, write_changes_beside
from rowreckon.report.formats.terminal_list import write_changes, write_list, write_list_ticket, write_worst
from rowreckon.report.formats.terminal_plan import write_evidence, write_picture, write_ticket
from rowreckon.report.formats.terminal_writer import Writer
from rowreckon.report.story.overview import counts_words, fold_row, nothing_audited, rejected_rows, verdict_legend
from rowreckon.report.story.ticket import ticket
from rowreckon.report.words.baseline_words import baseline_lines
from rowreckon.report.words.escape import quote
from rowreckon.report.words.facts_words import facts_words
from rowreckon.report.words.headline import plans_by_weight
from rowreckon.report.words.list_headline import crossed_before, list_headline, list_time_sentence
from rowreckon.report.words.numbers import capitalised
from rowreckon.report.words.sentences import CAUTIONS
from rowreckon.report.words.sources import folder_words, with_short_sources
from rowreckon.report.words.ticket_words import TICKET_CAUTIONS

if TYPE_CHECKING:
    from rich.console import Console

    from rowreckon.document.audit import Audit


_PATH_ROOM = 38  # letters: so long a path leaves each command on one line of 80 columns


def render_terminal(audit: Audit, console: Console, *, verbose: bool = False) -> None:
    """Print the audit; `verbose` shows every plan, join and node."""
    audit, folder = with_short_sources(audit, path_room=_PATH_ROOM)
    out = Writer(console, verbose=verbose)
    if not audit.plans:
        out.label("Verdict", nothing_audited(audit))
        _compared(out, audit)
        _folds(out, audit)
    elif len(audit.plans) == 1:
        _one_plan(out, audit, folder)
    else:
        _list(out, audit, folder)
    _rejected(out, audit)
    _last(out, audit)
    out.flush()


def _one_plan(out: Writer, audit: Audit, folder: str) -> None:
    told = ticket(audit, 0)
    write_ticket(out, told)
    _compared(out, audit)
    write_picture(out, audit.plans[0])
    if out.verbose:
        write_all_changes(out, audit)
    else:
        write_changes_beside(out, audit, told)
    _folds(out, audit)
    write_evidence(out, audit.plans[0], told)
    if out.verbose:
        out.label("Counted", counts_words(audit) + folder_words(audit, folder), 2)


def _list(out: Writer, audit: Audit, folder: str) -> None:
    out.label("Verdict", " ".join(part for part in (list_headline(audit), crossed_before(audit)) if part))
    out.label("Time", list_time_sentence(audit))
    out.label("Counted", counts_words(audit) + folder_words(audit, folder))
    out.say(", ".join(facts_words(audit.plans, audit.tool_version)), 2)
    _compared(out, audit)
    write_list_ticket(out, audit)
    write_list(out, audit)
    if out.verbose:
        write_all_changes(out, audit)
        _folds(out, audit)
        _every_plan(out, audit)
        return
    write_changes(out, audit)
    write_worst(out, audit)
    _folds(out, audit)
    out.blank()
    out.say("--verbose shows the evidence of every plan; so does an HTML report (--report FILE.html).")


def _every_plan(out: Writer, audit: Audit) -> None:
    for index in plans_by_weight(audit):
        plan = audit.plans[index]
        out.heading(f"Plan: {quote(plan.source)}")
        told = ticket(audit, index)
        write_ticket(out, told)
        write_picture(out, plan)
        write_evidence(out, plan, told)


def _compared(out: Writer, audit: Audit) -> None:
    for number, sentence in enumerate(baseline_lines(audit)):
        out.label("Baseline", sentence) if number == 0 else out.say(sentence, 2, hang=2)


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
    for source, where, reason in rejected_rows(audit):
        out.say(f"- {source}{f' at {where}' if where else ''}: {reason.rstrip('.')}.", 2, hang=2)
