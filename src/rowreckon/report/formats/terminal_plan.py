"""One plan on the terminal: the ticket that a reader can stop at, the plan as a picture, then the evidence."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.report.drawings.plan_picture import FoldLine
from rowreckon.report.drawings.plan_text import plan_text
from rowreckon.report.drawings.ruler import Ruler, deciding, rulers
from rowreckon.report.drawings.ruler_text import ruler_text
from rowreckon.report.formats.terminal_costs import write_costs
from rowreckon.report.formats.terminal_writer import SQL_STYLE, STYLES, Writer
from rowreckon.report.story.moved_story import moved_line
from rowreckon.report.story.plan_story import plan_picture
from rowreckon.report.story.prepared_story import prepared_lines
from rowreckon.report.story.right_counts_story import right_counts_line
from rowreckon.report.story.story import (
    FindingStory,
    JoinStory,
    elsewhere_lines,
    join_stories,
    measured_rows,
    missing_evidence,
    notable_elsewhere,
    plan_findings,
)
from rowreckon.report.story.ticket import Ticket
from rowreckon.report.story.value_story import value_lines, value_rows
from rowreckon.report.words.escape import bare, clean, quote
from rowreckon.report.words.numbers import capitalised, count_of
from rowreckon.report.words.sentences import in_sentences
from rowreckon.report.words.ticket_words import SELDOM_WANTED, TOLD_BY_TICKET

if TYPE_CHECKING:
    from rowreckon.document.audit import Join, Plan

_JOINS_SHOWN = 3
_LINES_SHOWN = 4
_PLACES_SHOWN = 2
_RULER_WIDTH = 100
_PICTURE_WIDTH = 120


def write_ticket(out: Writer, ticket: Ticket) -> None:
    """The first screen: verdict, query and server, ruler, cause, what to try."""
    out.label(capitalised(ticket.verdict), ticket.sentence, style=STYLES.get(ticket.verdict, "bold"))
    for line in (ticket.outcome, ticket.time):
        if line:
            out.say(line)
    if ticket.query:
        out.say(f"{ticket.query_start}…" if ticket.also and ticket.query_rest else ticket.query, 2)
    out.say(", ".join(ticket.facts), 2, "dim")
    if ticket.rulers:
        out.blank()
        _write_hero(out, ticket)
    if (ticket.cause or ticket.no_change or ticket.lead or ticket.tried) and not ticket.also:
        out.blank()  # with one more line below, all has to fit into 24
    if ticket.cause:
        out.label("Cause", ticket.cause)
    if ticket.no_change:
        out.label("Try", ticket.no_change)
    if ticket.lead and ticket.is_remedy:
        out.label("Try", f"{ticket.lead}.")
        if ticket.command:
            out.sql(ticket.command, 7)
        out.say(ticket.beside, 5)
    elif ticket.command:
        out.label("Next", f"{ticket.lead}:")
        _command(out, ticket.command, 7)
    elif ticket.lead:
        out.label("Next", f"{ticket.lead}.")
    if ticket.tried:
        out.label("Tried", ticket.tried)
    if ticket.also:
        out.label("Also", ticket.also)


def _write_hero(out: Writer, ticket: Ticket) -> None:
    """The deciding ruler below the join's name, its title on the same line where both fit."""
    for ruler in ticket.rulers:
        together = f"{ticket.join}. {ruler.title}"
        if ticket.off:
            out.say(ticket.join, 2, "bold")
            out.say(f"{ticket.off}. {ruler.title}", 2, "bold")
        elif len(bare(together)) <= out.width - 2:
            out.say(together, 2, "bold")
        else:
            out.say(ticket.join, 2, "bold")
            out.say(ruler.title, 2)
        write_ruler(out, replace(ruler, title=""), 2)


def write_picture(out: Writer, plan: Plan) -> None:
    """The plan, one line a node."""
    if not plan.nodes:
        return
    out.heading("Plan")
    picture = plan_picture(plan, whole=out.verbose)
    width = min(out.width - 2, _PICTURE_WIDTH)
    out.drawn(plan_text(picture, width, ascii_only=out.ascii_only), 2)
    if out.verbose:
        _details(out, plan)


def _details(out: Writer, plan: Plan) -> None:
    """What a page unfolds: of each node, in the picture's order."""
    out.blank()
    out.say("Nodes", 2, "bold")
    for line in plan_picture(plan, whole=True).lines:
        if isinstance(line, FoldLine):
            continue
        out.say(f"{line.name}{line.reads}", 4)
        out.say(". ".join(f"{what}: {text}" for what, text in line.details) + ".", 6)


def write_evidence(out: Writer, plan: Plan, told: Ticket) -> None:
    """What the verdicts rest on; `told` is the ticket above, of which nothing is said again unless all is shown."""
    out.heading(f"Evidence: {quote(plan.source)}")
    stories = join_stories(plan)
    judged = [s for s in stories if out.verbose or s.join.verdict != "accurate"] or list(stories[:1])
    shown = judged if out.verbose else judged[:_JOINS_SHOWN]
    for number, story in enumerate(shown):
        _join(out, story, is_told=number == 0)
    if len(shown) < len(stories):
        out.blank()
        left = [s.join.verdict for s in stories if s not in shown]
        kinds = ", ".join(f"{left.count(v)} {v}" for v in ("crossed", "undecided", "held", "accurate") if v in left)
        out.say(f"{count_of(len(left), 'further join')} ({kinds}); --verbose shows all.", 2)
    for finding in plan_findings(plan):
        _finding(out, finding, told)
    _values(out, plan)
    if out.verbose:
        out.items("Time elsewhere", elsewhere_lines(plan))
    elif elsewhere := notable_elsewhere(plan):
        out.label("Elsewhere", " ".join(elsewhere), 2)
    _missing(out, plan, told)
    if out.verbose and plan.query:
        out.blank()
        out.say("Query", 2, "bold")
        out.sql(plan.query, 4)
    _measured(out, plan)


def _values(out: Writer, plan: Plan) -> None:
    """How far facts may move, what right counts would change, when a prepared statement turns generic, for which values
    another plan comes; with all else each of those plans.
    """
    if line := moved_line(plan):
        out.label("If facts move", line, 2)
    if line := right_counts_line(plan):
        out.label("Right counts", line, 2)
    if prepared := prepared_lines(plan):
        out.label("Prepared", " ".join(prepared), 2)
    if not plan.values:
        return
    out.label("Values", " ".join(value_lines(plan)[: None if out.verbose else _PLACES_SHOWN]), 2)
    if out.verbose:
        rows = value_rows(plan)
        out.items("Plans by value", tuple(f"{w}, {v}: {r} of the rows, cost {c}: {p}." for w, v, r, c, p in rows))


def _measured(out: Writer, plan: Plan) -> None:
    """How the plan was measured, and its notes; briefly without what the ticket has told."""
    rows = measured_rows(plan)
    notes = tuple(clean(note) for note in plan.notes)
    if out.verbose:
        out.blank()
    else:
        known = (*TOLD_BY_TICKET, *SELDOM_WANTED)
        rows = tuple(row for row in rows if row[0] not in known and row != ("Cache", "not known"))
    if rows:
        out.label("Measured", ". ".join(f"{name}: {value}" for name, value in rows) + ".", 2)
    if out.verbose:
        out.items("Notes", notes)
    elif notes:
        out.label("Notes", f"{capitalised(in_sentences(notes[:_LINES_SHOWN]))}.", 2)


def _missing(out: Writer, plan: Plan, told: Ticket) -> None:
    lacking = [missing for missing in plan.missing if missing != told.missing]
    if not lacking:
        return
    if not out.verbose:
        more = f", and {count_of(len(lacking) - 1, 'more fact')}" if len(lacking) > 1 else ""
        out.label("Missing", f"{missing_evidence(lacking)[0][0]}. --verbose shows how to get it{more}.", 2)
        return
    out.blank()
    out.say("Evidence that is missing", 2, "bold")
    for what, why, how in missing_evidence(lacking):
        out.say(f"- {what}: {why}. Get it with:", 4, hang=2)
        _command(out, how, 6)


def _command(out: Writer, how: str, indent: int) -> None:
    if "\n" in how:
        out.sql(how, indent)
    else:
        out.say(clean(how), indent, SQL_STYLE, hang=2)


def write_rulers(out: Writer, join: Join, *, deciding_only: bool = False) -> None:
    """The rulers of a join, or the one that decides."""
    drawn = rulers(join)
    for ruler in deciding(drawn) if deciding_only else drawn:
        out.blank()
        write_ruler(out, ruler, 4)


def write_ruler(out: Writer, ruler: Ruler, indent: int) -> None:
    """One ruler, its dot in the colour that it has in HTML."""
    width = min(_RULER_WIDTH, out.width - indent)
    for line in ruler_text(ruler, width, ascii_only=out.ascii_only):
        out.verbatim(line, indent)
        out.lines[-1].highlight_regex("[●◉]", "bold red")


def _join(out: Writer, story: JoinStory, *, is_told: bool) -> None:
    """One join; what the ticket has is left out, and of an accurate one all else."""
    join = story.join
    is_new = not is_told or out.verbose
    if is_new:
        out.blank()
        out.label(join.verdict, capitalised(story.title), 2, STYLES.get(join.verdict, "bold"))
        out.say(story.sentence, 4)
        if join.verdict == "accurate" and not out.verbose:
            return
        if join.verdict == "crossed" or out.verbose:
            write_rulers(out, join, deciding_only=not out.verbose)
            out.blank()
    if not is_new or out.verbose:
        write_costs(out, story)
    for note in story.notes if out.verbose else story.brief_notes:
        out.say(note, 4)


def _finding(out: Writer, finding: FindingStory, told: Ticket) -> None:
    """One cause: its name is left out where the ticket has it, its facts are shown with all else."""
    if out.verbose:
        out.blank()
    known = not out.verbose and told.cause.startswith(finding.kind)
    out.label("Cause", finding.summary if known else f"{finding.title}. {finding.summary}", 2)
    if finding.harms:
        out.say(finding.harms, 4)
    if out.verbose:
        for fact, value, source in finding.evidence:
            out.say(f"- {fact}: {value} (from {source})", 4, hang=2)
