"""The report on a terminal: verdict first, then what to try, then the evidence.

Readable at 60 columns and without colour; rich decides about colour (NO_COLOR, pipes). No text is parsed as markup.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from rowreckon.plural import noun
from rowreckon.report.drawings.before_after import BeforeAfter
from rowreckon.report.drawings.ruler import Ruler, deciding, rulers
from rowreckon.report.drawings.ruler_text import ruler_text
from rowreckon.report.story.outline import Row, outline
from rowreckon.report.story.overview import counts_words, fold_row, plan_lines, unfinished_lines, verdict_legend
from rowreckon.report.story.remedy_story import RemedyStory, remedies_story
from rowreckon.report.story.story import (
    FindingStory,
    JoinStory,
    elsewhere_lines,
    join_stories,
    measured_rows,
    no_remedy_words,
    other_findings,
)
from rowreckon.report.words.baseline_words import baseline_lines
from rowreckon.report.words.escape import clean, clean_lines, plain, quote, segments
from rowreckon.report.words.headline import audit_headline, audit_time_sentence, plan_headline
from rowreckon.report.words.numbers import capitalised, count_of
from rowreckon.report.words.sentences import CAUTIONS
from rowreckon.report.words.sources import folder_words, with_short_sources
from rowreckon.report.words.trial_words import account_lines

if TYPE_CHECKING:
    from rich.console import Console

    from rowreckon.document.audit import Audit, Join, Plan

_PLANS_LISTED = 20
_WORST_SHOWN = 3
_JOINS_SHOWN = 5
_REMEDIES_SHOWN = 5
_REMEDIES_OF_MANY = 3
_RULER_WIDTH = 100
_SIDE_BY_SIDE = 120  # columns from which the gutter stands beside the node instead of below it

_STYLES = {"crossed": "bold bright_blue", "undecided": "bold", "held": "bold", "error enters here": "bold bright_blue"}


class _Writer:
    """Gathers the lines of the report and prints them at once; the one place where text meets the console."""

    def __init__(self, console: Console, *, verbose: bool) -> None:
        self.console = console
        self.verbose = verbose
        self.width = max(24, console.width)
        self.ascii_only = console.options.ascii_only
        self.lines: list[Text] = []

    def flush(self) -> None:
        """Print what was gathered: one call, since each has its price."""
        self.console.print(Text("\n").join(self.lines), highlight=False, soft_wrap=True)

    def _safe(self, text: str) -> str:
        if not self.ascii_only:
            return text
        return text.replace("…", "...").replace("–", "-").encode("ascii", "backslashreplace").decode("ascii")

    def text(self, sentence: str, style: str = "") -> Text:
        return Text(self._safe(plain(sentence)), style=style)

    def blank(self) -> None:
        self.lines.append(Text())

    def heading(self, title: str) -> None:
        self.blank()
        self.piece(self.text(title, "bold underline"))

    def say(self, sentence: str, indent: int = 0, style: str = "", hang: int = 0) -> None:
        """A wrapped paragraph; `hang` indents its further lines."""
        self.piece(self.text(sentence, style), indent, hang)

    def piece(self, text: Text, indent: int = 0, hang: int = 0) -> None:
        # Wrapped here and not by the console, so that a pipe gets no line padded with blanks.
        width = max(20, self.width - indent - hang)
        short = len(text.plain) <= width and text.plain.isascii()
        for number, line in enumerate([text] if short else text.wrap(self.console, width)):
            line.rstrip()
            self.lines.append(Text(" " * (indent + (hang if number else 0))).append_text(line))

    def label(self, word: str, sentence: str, indent: int = 0, style: str = "") -> None:
        """A word set apart, then its sentence."""
        text = Text(f"{self._safe(plain(word))}  ", style=style or "bold")
        text.append_text(self.text(sentence))
        text.stylize("not bold", len(plain(word)))
        self.piece(text, indent, 2)

    def verbatim(self, block: str, indent: int = 4, style: str = "") -> None:
        """Lines that are to be copied: never wrapped by us, so that a copy stays whole."""
        for line in clean_lines(block).split("\n"):
            self.lines.append(Text(" " * indent + self._safe(line), style=style))


def render_terminal(audit: Audit, console: Console, *, verbose: bool = False) -> None:
    """Print the audit; `verbose` shows every plan, join and node."""
    audit, folder = with_short_sources(audit)
    out = _Writer(console, verbose=verbose)
    out.label("Verdict", audit_headline(audit))
    time = audit_time_sentence(audit)
    if time:
        out.label("Time", time)
    if audit.plans:
        out.label("Counted", counts_words(audit) + folder_words(audit, folder))
    for number_, sentence in enumerate(baseline_lines(audit)):
        out.label("Baseline", sentence) if number_ == 0 else out.say(sentence, 2, hang=2)
    _remedies(out, audit)
    if len(audit.plans) > 1:
        if not verbose:
            _worst(out, audit)
        _plan_list(out, audit)
    _folds(out, audit)
    if verbose or len(audit.plans) == 1:
        for line in plan_lines(audit):
            _plan(out, audit.plans[line.index], alone=len(audit.plans) == 1)
    elif audit.plans:
        out.blank()
        out.say("--verbose shows the evidence of every plan; so does an HTML report (--report FILE.html).")
    _rejected(out, audit)
    if verdicts := verdict_legend(audit):
        out.heading("What the verdicts mean")
        out.say(f"{capitalised(verdicts)}.", 2)
    out.heading("Cautions")
    for caution in CAUTIONS:
        out.say(f"- {caution}", 2, hang=2)
    out.flush()


def _remedies(out: _Writer, audit: Audit) -> None:
    out.heading("What to try")
    if not audit.remedies:
        out.say(no_remedy_words(audit), 2)
        return
    most = _REMEDIES_SHOWN if len(audit.plans) == 1 else _REMEDIES_OF_MANY
    shown = remedies_story(audit.remedies if out.verbose else audit.remedies[:most], audit.plans)
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
    _list(out, "How they were tried", account_lines(audit))


def _remedy(out: _Writer, remedy: RemedyStory) -> None:
    out.label(f"{remedy.rank}.", remedy.title, 2)
    out.say(remedy.reason, 5)
    if remedy.check_first:
        out.say("Check first:", 5)
        out.verbatim(remedy.check_first, 7, "bright_cyan")
        out.say("Run:", 5)
    if remedy.sql:
        out.verbatim(remedy.sql, 7, "bright_cyan")
    if remedy.undo:
        out.say("Undo:", 5)
        out.verbatim(remedy.undo, 7, "bright_cyan")
    if remedy.notes:
        out.say(" ".join(remedy.notes), 5)
    for caution in remedy.cautions:
        out.say(caution, 5, hang=2)
    for pair in remedy.pairs if out.verbose else remedy.pairs[:1]:
        _pair(out, pair)
    for query, plan, before, after, time in remedy.side_effects:
        spent = f", {before} before, {after} after" if before != "–" or after != "–" else ""
        out.say(f"Side effect on {query}: {plan}{spent}, {time}.", 5, hang=2)
    if remedy.untold:
        out.say(remedy.untold, 5, hang=2)
    if out.verbose:
        for other in remedy.others:
            out.say(f"- {other}", 7, hang=2)


def _pair(out: _Writer, pair: BeforeAfter) -> None:
    """One join before and after a change."""
    out.blank()
    out.say(pair.lead, 5)
    for ruler in (pair.before, pair.after):
        out.blank()
        _ruler(out, ruler, 7)
    out.blank()
    out.say(pair.now, 5)


def _worst(out: _Writer, audit: Audit) -> None:
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
        out.label(story.join.verdict, f"{quote(plan.source)}, {story.title}", 2, _STYLES.get(story.join.verdict, ""))
        out.say(story.sentence, 4)
        _rulers(out, story.join, deciding_only=True)
        for finding in story.findings:
            out.say(f"Cause: {finding.title}.", 4, hang=2)


def _plan_list(out: _Writer, audit: Audit) -> None:
    out.heading("Plans, the worst first")
    lines = plan_lines(audit)
    shown = lines if out.verbose else lines[:_PLANS_LISTED]
    for line in shown:
        spent = "" if line.time == "–" else f", {line.time}" + ("" if line.share == "–" else f", {line.share} in joins")
        word = f"{line.verdict:<9}"
        out.label(word, f"{line.source}{spent}: {line.brief}.", 2, _STYLES.get(line.verdict, "bold"))
    if len(shown) < len(lines):
        out.say(f"{count_of(len(lines) - len(shown), 'further plan')} not listed; --verbose lists all.", 2)
    unfinished = unfinished_lines(audit, lines[len(shown) :])
    if unfinished:
        out.heading("Queries that did not run to their end")
    for line in unfinished:
        out.say(f"{line.source}: {line.brief}.", 2, hang=2)


def _folds(out: _Writer, audit: Audit) -> None:
    if not audit.folds:
        return
    out.heading("Queries that recur")
    for fold in audit.folds:
        name, often, span, crossed, lost, errors = fold_row(fold)
        often, crossed = noun(often, "time"), noun(crossed, "time")
        out.say(f"- {name}: {often}, {span}; crossed {crossed}; lost {lost}; q-errors {errors}", 2, hang=2)


def _plan(out: _Writer, plan: Plan, *, alone: bool) -> None:
    out.heading(f"Evidence: {quote(plan.source)}")
    if not alone:
        out.say(plan_headline(plan), 2)
    stories = join_stories(plan)
    shown = stories if out.verbose else stories[:_JOINS_SHOWN]
    for story in shown:
        _join(out, story, said=plan_headline(plan))
    if len(shown) < len(stories):
        out.say(f"{count_of(len(stories) - len(shown), 'further join')} not shown; --verbose shows all.", 2)
    for finding in other_findings(plan):
        _finding(out, finding, 2)
    _outline(out, plan)
    _list(out, "Time elsewhere", elsewhere_lines(plan))
    if plan.missing:
        out.blank()
        out.say("Evidence that is missing", 2, "bold")
        for item in plan.missing:
            out.say(
                f"- {capitalised(clean(item.what)).rstrip('.')}: {clean(item.why).rstrip('.')}. Get it with:", 4, hang=2
            )
            if "\n" in item.how:
                out.verbatim(item.how, 6, "bright_cyan")
            else:
                out.say(clean(item.how), 6, "bright_cyan", hang=2)
    if out.verbose and plan.query:
        out.blank()
        out.say("Query", 2, "bold")
        out.verbatim(plan.query, 4)
    out.blank()
    out.say("How it was measured", 2, "bold")
    out.say("; ".join(f"{name}: {value}" for name, value in measured_rows(plan)) + ".", 4)
    _list(out, "Notes", tuple(clean(note) for note in plan.notes))


def _list(out: _Writer, title: str, lines: tuple[str, ...]) -> None:
    if not lines:
        return
    out.blank()
    out.say(title, 2, "bold")
    for line in lines:
        out.say(f"- {line}", 4, hang=2)


def _rulers(out: _Writer, join: Join, *, deciding_only: bool = False) -> None:
    drawn = rulers(join)
    if deciding_only:
        drawn = deciding(drawn)
    for ruler in drawn:
        out.blank()
        _ruler(out, ruler, 4)


def _ruler(out: _Writer, ruler: Ruler, indent: int) -> None:
    width = min(_RULER_WIDTH, out.width - indent)
    for line in ruler_text(ruler, width, ascii_only=out.ascii_only):
        out.verbatim(line, indent)


def _join(out: _Writer, story: JoinStory, said: str) -> None:
    """One join; its sentence is left out where it has just been `said`, all else where nothing is wrong."""
    out.blank()
    join = story.join
    out.label(join.verdict, capitalised(story.title), 2, _STYLES.get(join.verdict, "bold"))
    if story.sentence != said:
        out.say(story.sentence, 4)
        if join.verdict == "accurate" and not out.verbose:
            return
    _rulers(out, join)
    if story.costs:
        out.blank()
        out.say("Costs in planner units, at the estimate and at the actual rows:", 4)
        for method, estimate, actual, remarks in story.costs:
            out.say(f"- {method}: {estimate}, {actual}" + (f" ({remarks})" if remarks else ""), 4, hang=2)
    if story.notes:
        out.blank()
    for note in story.notes:
        out.say(note, 4)
    for finding in story.findings:
        _finding(out, finding, 4)


def _finding(out: _Writer, finding: FindingStory, indent: int) -> None:
    out.blank()
    out.label("Cause", f"{finding.title}: {finding.summary}", indent)
    for fact, value, source in finding.evidence:
        out.say(f"- {fact}: {value} (from {source})", indent + 2, hang=2)


def _outline(out: _Writer, plan: Plan) -> None:
    if not plan.nodes:
        return
    out.blank()
    out.say("Plan outline", 2, "bold")
    rows = outline(plan, limit=len(plan.nodes), whole_up_to=len(plan.nodes)) if out.verbose else outline(plan)
    for row in rows:
        _outline_row(out, row)


def _outline_row(out: _Writer, row: Row) -> None:
    depth = min(row.depth, max(2, (out.width - 40) // 4))
    indent = 4 + 2 * depth
    if row.node is None:
        out.say(f"… {row.gutter}" + (f", {row.time}" if row.time else ""), indent, "dim", hang=2)
        return
    text = Text()
    for piece, foreign in segments(row.label):
        text.append_text(out.text(quote(piece) if foreign else piece, "bold" if foreign else ""))
    for mark in row.marks:
        text.append(f" [{mark}]", style=_STYLES.get(mark, "bold"))
    gutter = row.gutter + (f"; {row.time} of its own" if row.time else "")
    if out.width >= _SIDE_BY_SIDE:
        text.append_text(out.text(f"   {gutter}", "italic"))
        out.piece(text, indent, 4)
    else:
        out.piece(text, indent, 2)
        out.say(gutter, indent + 2, "italic", hang=2)


def _rejected(out: _Writer, audit: Audit) -> None:
    if not audit.rejected:
        return
    out.heading("Inputs that could not be read")
    for item in audit.rejected:
        where = f" at {clean(item.where)}" if item.where else ""
        out.say(f"- {quote(item.source)}{where}: {clean(item.reason).rstrip('.')}.", 2, hang=2)
