"""The order and the sentences of a report, once for all formats; renderers only dress it.

Every text may carry foreign pieces between isolates (see `escape`); SQL and queries are cleaned line by line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property

from rowreckon.causes.registry import title_of
from rowreckon.document.audit import Finding, Join, Missing, Origin, Plan
from rowreckon.frozen import frozen
from rowreckon.report.words import join_figures, join_words, ticket_words
from rowreckon.report.words.borders import inner_differs
from rowreckon.report.words.changes.remedy_words import confidence_words
from rowreckon.report.words.escape import clean, clean_lines, quote
from rowreckon.report.words.headline import joins_by_weight, outcome_words
from rowreckon.report.words.numbers import capitalised, listed, milliseconds, number, times
from rowreckon.report.words.once import once_a_plan
from rowreckon.report.words.sentences import BASIS_WORDS, node_label, tables_of, with_others
from rowreckon.report.words.time_words import elsewhere_line, elsewhere_sorted, plan_map


@frozen
class FindingStory:
    """A cause with the facts it rests on: (fact, value, where from); `harms` says whom it harms, where that is more
    than one join or none."""

    title: str
    summary: str
    evidence: tuple[tuple[str, str, str], ...]
    harms: str = ""
    kind: str = ""


class JoinStory:
    """One judged join in words, beside the join itself for its rulers and curve; each part is worded when it is read,
    since of a long list most is not shown."""

    def __init__(self, plan: Plan, join: Join) -> None:
        self.join = join
        self._plan = plan

    @cached_property
    def title(self) -> str:
        """The join's method, type and sides."""
        return join_words.join_title(self.join)

    @cached_property
    def sentence(self) -> str:
        """The verdict with the figures that it rests on."""
        return f"{capitalised(join_words.verdict_sentence(self.join))}."

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What else is known, a sentence each."""
        return _join_notes(self._plan, self.join)

    @cached_property
    def brief_notes(self) -> tuple[str, ...]:
        """Of the notes, those that a reader of few lines needs."""
        return _brief_notes(self._plan, self.join)

    @cached_property
    def costs(self) -> tuple[tuple[str, str, str, str], ...]:
        """A row for each method: its name, its cost at the estimate and at the actual rows, remarks."""
        return tuple(join_figures.cost_rows(self.join))

    @cached_property
    def findings(self) -> tuple[FindingStory, ...]:
        """The causes that harm the join; that one is unexplained is told only where no other is known."""
        found = _findings_by_join(self._plan).get(self.join.node, [])
        known = [finding for finding in found if finding.code != "unexplained"]
        return tuple(finding_story(finding) for finding in known or found)


def finding_story(finding: Finding, harms: str = "") -> FindingStory:
    """A finding in words."""
    cause = clean(title_of(finding.code))
    where = f" on {tables_of(finding.tables)}" if finding.tables else ""
    columns = f" ({', '.join(quote(c, 80) for c in finding.columns)})" if finding.columns else ""
    sure = confidence_words(finding.confidence)
    if finding.code == "unexplained":
        sure = f"that no known cause fits has {sure}"
    evidence = tuple((clean(e.fact), _value(e.value), clean(e.from_)) for e in finding.evidence)
    summary = clean(finding.summary).rstrip(".")
    if not _starts_with_a_name(finding, summary):
        summary = capitalised(summary)
    return FindingStory(
        f"{capitalised(cause)}{where}{columns}", f"{summary}. {capitalised(sure)}.", evidence, harms, capitalised(cause)
    )


def _starts_with_a_name(finding: Finding, summary: str) -> bool:
    """Whether a table's or column's name comes first, which keeps its spelling."""
    first = summary.split(" ", 1)[0].rstrip(",:;")
    names = {part for name in (*finding.tables, *finding.columns) for part in (name, *name.split("."))}
    return first in names


def _value(value: str | float | int | bool | None) -> str:
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return quote(value)
    return number(value)


def _origin_words(plan: Plan, join: Join) -> str:
    nodes = plan_map(plan).by_id
    safe = {origin.node: origin for origin in join.safe_origins}
    said = []
    for id_ in join.origin:
        node = nodes.get(id_)
        text = node_label(node) if node is not None else f"node {id_}"
        entered = safe.get(id_)
        q_here = entered.q_error_here if entered else node.q_error_here if node else None
        if q_here is not None:
            text += f" (a factor of {times(q_here).removesuffix(' times')}"
            if entered and entered.safe_q_error is not None:
                text += f", harmless up to {times(entered.safe_q_error).removesuffix(' times')}"
            text += ")"
        said.append(text)
    if not said:
        return ""
    origins = _origins_by_node(plan)
    shared = {j for id_ in join.origin for o in origins.get(id_, ()) for j in o.joins} - {join.node}
    also = (
        f" {number(len(shared))} other join{'s suffer' if len(shared) > 1 else ' suffers'} from the same error."
        if shared
        else ""
    )
    return f"The error enters at {listed(said)}.{also}"


def _inner_words(join: Join, sentence: str) -> str:
    said = join_words.side_words(join.inner, "inner")
    return f"{capitalised(said)}." if said and capitalised(said) not in sentence and said not in sentence else ""


def _join_notes(plan: Plan, join: Join) -> tuple[str, ...]:
    sentence = join_words.verdict_sentence(join)
    why = join_words.reason_words(join)
    condition = f"Condition: {quote(join.condition)}" if join.condition else "No join condition"
    if not join.equality:
        condition += " (no hashable equality)"
    notes = [
        condition + ".",
        f"Why: {why}." if why and why not in sentence else "",
        _inner_words(join, sentence),
        join_figures.margin_words(join),
        join_figures.per_outer_words(join),
        join_figures.visits_words(join),
        join_figures.contest_words(join),
        *join_figures.excluded_words(join),
        _origin_words(plan, join),
        join_figures.residual_words(join),
        *join_figures.turning_words(join),
        f"Row counts are totals over loops and processes, {number(join.scale)} times what the planner costs at once."
        if join.scale is not None and join.scale != 1
        else "",
    ]
    return tuple(n for n in [*notes, *_lacking(plan, join)] if n)


def _brief_notes(plan: Plan, join: Join) -> tuple[str, ...]:
    is_on_ticket = join is joins_by_weight(plan)[0]
    said = ticket_words.verdict_words(plan) if is_on_ticket else join_words.verdict_sentence(join)
    inner = _inner_words(join, said) if inner_differs(join) else ""
    notes = [inner, join_figures.contest_words(join), *join_figures.excluded_words(join)]
    return tuple(n for n in notes if n)


def _lacking(plan: Plan, join: Join) -> list[str]:
    lacking = [plan.missing[i] for i in join.missing if 0 <= i < len(plan.missing)]
    return [f"To decide more, find out {clean(m.what).rstrip('.')}." for m in lacking]


@once_a_plan
def _findings_by_join(plan: Plan) -> dict[int, list[Finding]]:
    found: dict[int, list[Finding]] = {}
    for finding in plan.findings:
        for node in dict.fromkeys(finding.joins):
            found.setdefault(node, []).append(finding)
    return found


@once_a_plan
def _origins_by_node(plan: Plan) -> dict[int, list[Origin]]:
    found: dict[int, list[Origin]] = {}
    for origin in plan.origins:
        found.setdefault(origin.node, []).append(origin)
    return found


def join_stories(plan: Plan) -> tuple[JoinStory, ...]:
    """The plan's joins, worst first."""
    return tuple(JoinStory(plan, join) for join in joins_by_weight(plan))


def plan_findings(plan: Plan) -> tuple[FindingStory, ...]:
    """Each cause once, with the joins that suffer from it; those of the worst joins first."""
    weighed = joins_by_weight(plan)
    order = {join.node: place for place, join in enumerate(weighed)}

    def worst(finding: Finding) -> int:
        return min((order[node] for node in finding.joins if node in order), default=len(order))

    ordered = sorted(plan.findings, key=worst)
    return tuple(finding_story(finding, _harms(finding, weighed, order)) for finding in ordered)


def _harms(finding: Finding, weighed: Sequence[Join], order: Mapping[int, int]) -> str:
    places = [order[node] for node in set(finding.joins) if node in order]
    if len(places) < 2:
        return ""
    return f"Harms {number(len(places))} joins, the worst a {join_words.join_title(weighed[min(places)])}."


def elsewhere_lines(plan: Plan) -> tuple[str, ...]:
    """Where the time goes that no judged join accounts for."""
    return tuple(capitalised(elsewhere_line(plan, item)) + "." for item in elsewhere_sorted(plan))


def notable_elsewhere(plan: Plan) -> tuple[str, ...]:
    """Of these the few that take a quarter of the time or more."""
    whole = plan.execution_ms or 0.0
    much = [item for item in elsewhere_sorted(plan) if item.ms is not None and item.ms >= whole / 4]
    return tuple(capitalised(elsewhere_line(plan, item)) + "." for item in much[:2])


def missing_evidence(lacking: Sequence[Missing]) -> tuple[tuple[str, str, str], ...]:
    """What is not known, why it matters, and how to get it, without full stops."""
    return tuple(
        (capitalised(clean(item.what)).rstrip("."), clean(item.why).rstrip("."), clean_lines(item.how))
        for item in lacking
    )


def measured_rows(plan: Plan) -> tuple[tuple[str, str], ...]:
    """How the plan was measured: (what, figure)."""
    rows: list[tuple[str, str]] = []
    version = plan.server_version
    if version is not None:
        major, minor = divmod(version, 10000)
        # Most captures tell the release only; its minor version 0 is then a gap, not a fact.
        shown = f"{major}.{minor}" if minor else str(major or version)
        rows.append(("PostgreSQL", shown))
    rows.append(("Run with ANALYZE", "yes" if plan.analyzed else "no"))
    outcome = outcome_words(plan)
    if outcome:
        rows.append(("Outcome", outcome))
    if plan.execution_ms is not None:
        rows.append(("Execution", milliseconds(plan.execution_ms)))
    if plan.planning_ms is not None:
        rows.append(("Planning", milliseconds(plan.planning_ms)))
    if plan.runs_ms and plan.runs_ms != (plan.execution_ms,):
        rows.append(("Runs", listed([milliseconds(ms) for ms in plan.runs_ms], 12)))
    rows.append(("Cache", {"cold": "cold", "warm": "warm", "unknown": "not known"}[plan.cache]))
    bases = sorted({join.basis for join in plan.joins})
    if bases:
        words = dict(BASIS_WORDS)
        if plan.learned_from:
            words["plan"] = f"the cost model over {with_others(plan.learned_from)}"
        rows.append(("Verdicts rest on", listed([words[b] for b in bases])))
    if plan.query_id:
        rows.append(("Query id", quote(plan.query_id, 60)))
    session = plan.session
    if session is not None:
        named = (("Role", session.role), ("Database", session.database), ("Search path", session.search_path))
        rows += [(name, quote(value)) for name, value in named if value]
        if session.row_security is not None:
            rows.append(("Row security", "on" if session.row_security else "off"))
        settings = [quote(f"{key} = {value}") for key, value in sorted(session.settings.items())]
        if settings:
            rows.append(("Settings", listed(settings, 40)))
    return tuple(rows)
