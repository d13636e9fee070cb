"""The first screen of a report on one plan: a reader who stops there can act.

Which query on which server, the verdict, the ruler, the cause, the one command to try, what trying it brought.
"""

from __future__ import annotations

from dataclasses import replace

from rowreckon.causes.registry import title_of
from rowreckon.document.audit import Audit, Finding, Join, Missing, Plan, Remedy
from rowreckon.frozen import frozen
from rowreckon.report.drawings.ruler import FAR_OFF, Ruler, deciding, rulers
from rowreckon.report.story.gain_basis import gain_basis
from rowreckon.report.story.other_joins import other_joins_words
from rowreckon.report.story.ticket_ruler import off_the_ruler, titled
from rowreckon.report.words import ticket_words
from rowreckon.report.words.changes import remedy_words
from rowreckon.report.words.changes.no_change_words import no_change_words
from rowreckon.report.words.changes.touch_words import touch_words
from rowreckon.report.words.commands import is_command
from rowreckon.report.words.escape import bare, clean, clean_lines, quote, shorten
from rowreckon.report.words.facts_words import facts_words
from rowreckon.report.words.headline import joins_by_weight
from rowreckon.report.words.numbers import capitalised, milliseconds
from rowreckon.report.words.sentences import tables_of
from rowreckon.report.words.ticket_time import time_line

_QUERY_SHOWN = 150
_QUERY_ON_A_PHONE = 77
_SAID_BY_THE_SUMMARY = ("unexplained", "function_row_default")
"""Causes that no table or column tells: the summary's first sentence has what was looked at, and which function."""
_TITLE = 60  # letters of the query in a page's title


@frozen
class Ticket:
    """What stands on the first screen; a part that is not known is empty or None.

    `query` is the start of the SQL on one line, `verdict` the word and `sentence` the finding. `rulers` holds the
    deciding ruler of the worst join, `off` the rows that were off where it does not show them, `also` the other
    misestimated joins. `lead` says what the `command` is for, `gain_basis` what its gain is reckoned of, `touches` what
    else it may change. Without a change to try `no_change` says why, and the command is the one that gets what is
    `missing`, if there is one.
    """

    query: str
    source: str
    facts: tuple[str, ...]
    verdict: str
    sentence: str
    outcome: str
    time: str
    join: str
    off: str
    rulers: tuple[Ruler, ...]
    also: str
    cause: str
    no_change: str
    lead: str
    command: str
    gain_basis: str
    caution: str
    touches: str
    tried: str
    title: str
    rank: int | None
    missing: Missing | None

    @property
    def query_start(self) -> str:
        """Of the query what two lines of a phone hold, and one of a terminal."""
        text = bare(self.query)
        return text if len(text) <= _QUERY_ON_A_PHONE else text[:_QUERY_ON_A_PHONE].rsplit(" ", 1)[0]

    @property
    def query_rest(self) -> str:
        """What of the query is shown where there is more room."""
        return bare(self.query).removeprefix(self.query_start)

    @property
    def beside(self) -> str:
        """What is said of the change, of a remedy: its gain, what it touches, its lock."""
        return " ".join(part for part in (self.gain_basis, self.touches, self.caution) if part)

    @property
    def is_remedy(self) -> bool:
        """Whether the command is a change to try, that of this `rank`."""
        return self.rank is not None


def ticket(audit: Audit, index: int) -> Ticket:
    """The first screen's parts for one plan of the audit."""
    plan = audit.plans[index]
    joins = joins_by_weight(plan)
    worst = joins[0] if joins else None
    remedy = _remedy(audit, index, worst)
    missing = _missing(plan, worst)
    lead, command = _command(remedy, missing)
    drawn = _deciding(worst) if worst is not None else ()
    return Ticket(
        query=_query(plan),
        source=quote(plan.source, 120),
        facts=tuple(facts_words([plan], audit.tool_version)),
        verdict=_verdict(plan, worst),
        sentence=ticket_words.verdict_words(plan),
        outcome=ticket_words.outcome_line(plan),
        time=_time(plan),
        join=capitalised(ticket_words.joined_words(worst)) if worst is not None else "",
        off=off_the_ruler(worst, plan, drawn) if worst is not None else "",
        rulers=drawn,
        also=other_joins_words(plan),
        cause=_cause(audit, index, worst, remedy),
        no_change=no_change_words((plan,)) if remedy is None else "",
        lead=lead,
        command=command,
        gain_basis=gain_basis(plan, index, worst, remedy) if remedy is not None else "",
        caution=remedy_words.lock_words(remedy) if remedy is not None else "",
        touches=touch_words(remedy, has_others=len(audit.plans) > 1) if remedy is not None else "",
        tried=_tried(remedy) if remedy is not None else "",
        title=_title(plan, worst),
        rank=remedy.rank if remedy is not None else None,
        missing=missing if remedy is None else None,
    )


def _time(plan: Plan) -> str:
    said = (time_line(plan), ticket_words.basis_words(plan))
    return " ".join(part for part in said if part)


def _deciding(join: Join) -> tuple[Ruler, ...]:
    """The ruler that decides, without a word on borders that are far off."""
    drawn = (titled(ruler, join) for ruler in deciding(rulers(join)))
    return tuple(replace(ruler, note="") if ruler.note.startswith(FAR_OFF) else ruler for ruler in drawn)


def _query(plan: Plan) -> str:
    text = " ".join(clean_lines(plan.query or "").split())
    shown = text if len(text) <= _QUERY_SHOWN else f"{text[: _QUERY_SHOWN - 1].rstrip()}…"
    return quote(shown) if shown else ""


def _verdict(plan: Plan, worst: Join | None) -> str:
    if plan.outcome != "ran" and worst is None:
        return plan.outcome.replace("_", " ")
    return worst.verdict if worst is not None else "no join"


def _title(plan: Plan, worst: Join | None) -> str:
    named = plan.source.rsplit("/", 1)[-1].removesuffix(".json").removesuffix(".capture")
    return f"{_verdict(plan, worst)}: {shorten(clean(named), _TITLE)}"


def _remedy(audit: Audit, index: int, worst: Join | None) -> Remedy | None:
    """The best change for a crossed join, else the best that is meant for this plan; to drop an index comes last, as
    other queries may live by it."""
    plan = audit.plans[index]
    crossed = worst is not None and worst.verdict == "crossed"

    def wanted(remedy: Remedy) -> tuple[bool, bool, int]:
        numbers = [r.finding for r in remedy.findings if r.plan == index and r.finding < len(plan.findings)]
        harmed = {node for number in numbers for node in plan.findings[number].joins}
        return remedy.kind == "drop_index", crossed and worst is not None and worst.node not in harmed, remedy.rank

    mine = [remedy for remedy in audit.remedies if any(ref.plan == index for ref in remedy.findings)]
    return min(mine, key=wanted, default=None)


def _missing(plan: Plan, worst: Join | None) -> Missing | None:
    """The evidence that would decide the worst join, else any that is missing."""
    if worst is not None and worst.verdict == "accurate":
        return None
    wanted = [plan.missing[i] for i in worst.missing if 0 <= i < len(plan.missing)] if worst is not None else []
    return next(iter([*wanted, *plan.missing]), None)


def _command(remedy: Remedy | None, missing: Missing | None) -> tuple[str, str]:
    """What is tried, and the SQL; else how the evidence that is missing is got, by a command where there is one."""
    if remedy is not None:
        brief = remedy.model_copy(update={"columns": (), "tables": ticket_words.short_names(remedy.tables)})
        gain = remedy_words.gain_words(remedy) if remedy.trial is None else ""
        title = capitalised(remedy_words.remedy_title(brief))
        advice = "" if remedy.sql else f". {clean(remedy.reason).rstrip('.')}"
        return f"{title}{f': {gain}' if gain else ''}{advice}", remedy_words.shortest(remedy.sql)
    if missing is not None:
        what, how = clean(missing.what).rstrip("."), clean_lines(missing.how)
        if is_command(how):
            return f"This finds out {what}", how
        return f"Find out {what}: {how.rstrip('.')}", ""
    return "", ""


def _cause(audit: Audit, index: int, worst: Join | None, remedy: Remedy | None) -> str:
    """The finding that the change is meant for, one of the worst join's where there is such; a crossed join's own first
    one where there is none."""
    plan = audit.plans[index]
    found = [f for f in plan.findings if worst is not None and worst.node in f.joins] or list(plan.findings)
    if not found:
        return ""
    numbers = sorted(r.finding for r in remedy.findings if r.plan == index) if remedy is not None else []
    meant = [plan.findings[number] for number in numbers if number < len(plan.findings)]
    crossed = worst is not None and worst.verdict == "crossed"
    return _named(next((f for f in found if f in meant), (found if crossed else meant or found)[0]))


def _named(finding: Finding) -> str:
    if finding.code in _SAID_BY_THE_SUMMARY:
        said = clean(finding.summary).partition(". ")[0].rstrip(".")
        return f"{capitalised(clean(title_of(finding.code)))}{f'. {capitalised(said)}' if said else ''}."
    where = f" on {tables_of(ticket_words.short_names(finding.tables))}" if finding.tables else ""
    columns = f" ({', '.join(quote(c, 80) for c in finding.columns[:4])})" if finding.columns else ""
    return f"{capitalised(clean(title_of(finding.code)))}{where}{columns}."


def _tried(remedy: Remedy) -> str:
    trial = remedy.trial
    if trial is None:
        return ""
    verdict = {
        "helped": "it helped",
        "no_effect": "it had no effect",
        "harmed": "it did harm",
        "not_applied": "it did not take effect",
        "inconclusive": "the trial decided nothing",
    }[trial.verdict]
    if trial.before_ms is None or trial.after_ms is None:
        return f"{capitalised(verdict)}."
    return f"{milliseconds(trial.before_ms)} before, {milliseconds(trial.after_ms)} after: {verdict}."
