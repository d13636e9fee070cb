"""From drafts to ranked remedies: equal ones merged over all plans, the largest expected gain first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import fsum

from rowreckon.causes import CauseFinding
from rowreckon.causes.registry import BY_CODE
from rowreckon.document.audit import FindingRef, GainMs, Remedy
from rowreckon.document.remedy_kinds import TITLES
from rowreckon.proposals.combine import combinations
from rowreckon.proposals.gain import Gain, gain_of
from rowreckon.proposals.plan_audit import PlanAudit
from rowreckon.proposals.side_effects import side_effects
from rowreckon.remedies.draft import INVASIVENESS, Draft

LEAST_CONFIDENCE = 0.15
"""A cause less sure than this is told in the findings, and nobody is asked to act on it."""

_LEAST_REMEDY = 0.1

_OPEN_HARM = 0.6
"""How much a remedy counts where it is open whether the error harms its join; its confidence is the estimate's."""

_LEAST_MS = 1.0
"""Time at stake below which one timed run can't tell a gain from noise; common practice, no source."""

_NO_CURES = frozenset({"luring_index", "missing_join_index"})
"""Causes whose remedy changes indexes and mends no estimate."""

_LEAST_SHARE = 0.02

_STATISTICS = frozenset({"refresh_statistics", "more_statistics", "distinct_count", "expression_index"})
_PROVEN, _LARGE = 0.9, 10.0
"""Confidence and factor from which on statistics are offered for an estimate alone."""
_ESTIMATE_ALONE = " It mends the estimate: no join method of this query suffers from the error."

_ALONE = 0.5
"""How much a cure counts that mends its estimate and leaves the join misestimated by another error."""

_EXECUTES = "EXPLAIN ANALYZE executes the statement: measure before and after on a development copy"
_TOUCHES = {
    "refresh_statistics": "fresh statistics may change the plan of every query on the table",
    "more_statistics": "new statistics may change the plan of every query on the table",
    "distinct_count": "new statistics may change the plan of every query on the table",
    "expression_index": "a new index may change the plan of every query on the table",
    "new_index": "a new index may change the plan of every query on the table",
    "drop_index": "every query that uses the index loses it",
    "other": "it may change the plan of every query that it concerns",
}
_TOUCHES_NOTHING_ELSE = "no other query is changed by it"
_PROCEDURE = "follow your own change procedure and your DBA's approval"


@dataclass(slots=True)
class _Merged:
    """One change that several findings ask for, as it is put together."""

    draft: Draft
    codes: list[str] = field(default_factory=list)
    confidence: float = 0.0
    weight: float = 0.0
    """The confidence, with how much it counts."""
    findings: dict[tuple[int, int], None] = field(default_factory=dict)
    gains: dict[int, Gain] = field(default_factory=dict)
    joins: set[tuple[int, int]] = field(default_factory=set)
    needs_company: bool = False
    of_scan_alone: bool = True
    """An index for a scan, which mends no estimate: it comes after what does."""
    estimate_alone: bool = True
    """No join that it reaches would be run another way: what it mends is the estimate."""


def propose_all(plans: Sequence[PlanAudit]) -> tuple[Remedy, ...]:
    """The remedies over all plans; see `propose`."""
    merged: dict[tuple[str, ...], _Merged] = {}
    for plan in plans:
        for number, finding in enumerate(plan.findings):
            acting = _worth_acting(plan, finding)
            if not acting and not _mends_an_estimate(finding):
                continue
            gain = gain_of(plan, finding)
            for draft in BY_CODE[finding.code].remedy(finding.subject, plan.capture):
                if acting or _is_mild(draft):
                    change = merged.setdefault(_key(draft), _Merged(draft))
                    change.estimate_alone = change.estimate_alone and not acting
                    _add(change, plan, number, finding, draft, gain)
        _add_combinations(merged, plan)
    _let_wider_serve(merged)
    whole = fsum(p.execution_ms or 0.0 for p in plans)
    scored = [(m, _score(m, whole)) for m in merged.values()]
    scored = [(m, s) for m, s in scored if (s > 0 or m.estimate_alone) and m.weight >= _LEAST_REMEDY]
    cured = {j for m, _ in scored if m.draft.kind != "drop_index" and not m.estimate_alone for j in m.joins}
    scored.sort(key=lambda pair: _order(pair[0], pair[1], cured))
    return tuple(_document(m, rank, plans) for rank, (m, _) in enumerate(scored, start=1))


def _key(draft: Draft) -> tuple[str, ...]:
    """What makes two drafts the same: their statements, or what is advised where none is written."""
    return draft.sql or (draft.reason,)


def _worth_acting(plan: PlanAudit, finding: CauseFinding) -> bool:
    if not finding.subject.to_act_on or finding.harms == "nothing":
        return False
    if finding.finding.confidence < LEAST_CONFIDENCE:
        return False
    gain = gain_of(plan, finding)
    whole = plan.execution_ms
    if gain.high is None or not whole:
        return True
    # A proven crossing is cured however small the copy that showed it: what it brings is told and ranks the cure.
    if finding.harms == "crossed" and finding.code not in _NO_CURES:
        return gain.high > 0
    return gain.high >= _LEAST_MS and gain.high >= _LEAST_SHARE * whole


def _mends_an_estimate(finding: CauseFinding) -> bool:
    """Whether statistics mend a large error of a proven cause, though no join suffers from it: the next query's may."""
    sure = finding.finding.confidence >= _PROVEN and finding.factor >= _LARGE
    return sure and finding.harms == "nothing" and finding.subject.to_act_on


def _is_mild(draft: Draft) -> bool:
    """Whether a change is worth its while for an estimate alone: statistics, or a text that needs no more."""
    text = draft.kind == "query_rewrite" and (len(draft.sql_trial) == 1 or bool(draft.tables))
    return bool(draft.sql) and (text or draft.kind in _STATISTICS)


def _add(merged: _Merged, plan: PlanAudit, number: int, finding: CauseFinding, draft: Draft, gain: Gain) -> None:
    sure = finding.finding.confidence * draft.works
    merged.confidence = max(merged.confidence, sure)
    counts = draft.counts * (_OPEN_HARM if finding.harms == "undecided" else 1.0)
    merged.weight = max(merged.weight, sure * counts)
    merged.of_scan_alone = merged.of_scan_alone and finding.subject.of_scan
    merged.codes.append(finding.code)
    merged.findings[(plan.index, number)] = None
    merged.joins.update((plan.index, j) for j in finding.finding.joins)
    before = merged.gains.get(plan.index)
    if before is None or (gain.expected or gain.share) > (before.expected or before.share):
        merged.gains[plan.index] = gain


def _add_combinations(merged: dict[tuple[str, ...], _Merged], plan: PlanAudit) -> None:
    """Add what helps only together, and trust its parts less: alone they leave the join misestimated."""
    for combination in combinations(plan):
        parts = [merged[sql] for sql in combination.parts if sql in merged]
        if len(parts) < len(combination.parts):
            continue  # a part is not worth proposing at all
        whole = merged.setdefault(combination.draft.sql, _Merged(combination.draft))
        whole.estimate_alone = whole.of_scan_alone = False
        whole.confidence = max(whole.confidence, combination.confidence)
        whole.weight = max(whole.weight, combination.confidence)
        whole.findings.update(dict.fromkeys((plan.index, n) for n in combination.findings))
        whole.joins.add((plan.index, combination.join))
        gains = [gain_of(plan, plan.findings[n]) for n in combination.findings]
        whole.gains[plan.index] = max(gains, key=lambda g: g.expected or g.share)
        for part in parts:
            if not part.needs_company:
                part.needs_company = True
                part.weight *= _ALONE


def _let_wider_serve(merged: dict[tuple[str, ...], _Merged]) -> None:
    """Of two new indexes of which one begins with the other's keys and holds all its columns, only that one is left:
    it serves the queries of both, and a table pays for each index at every write."""
    indexes = [(sql, m) for sql, m in merged.items() if m.draft.kind == "new_index" and m.draft.keys]
    for sql, narrow in sorted(indexes, key=lambda pair: _size(pair[1].draft)):
        for _, wide in indexes:
            if wide is not narrow and sql in merged and _replaces(wide.draft, narrow.draft):
                _take_over(wide, narrow)
                del merged[sql]
                break


def _replaces(wide: Draft, narrow: Draft) -> bool:
    same_table = wide.tables == narrow.tables and _size(wide) > _size(narrow)
    begins = wide.keys[: len(narrow.keys)] == narrow.keys
    return same_table and begins and set(narrow.columns) <= set(wide.columns)


def _size(index: Draft) -> tuple[int, int]:
    return len(index.columns), len(index.keys)


def _take_over(wide: _Merged, narrow: _Merged) -> None:
    wide.estimate_alone = wide.estimate_alone and narrow.estimate_alone
    wide.of_scan_alone = wide.of_scan_alone and narrow.of_scan_alone
    wide.confidence = max(wide.confidence, narrow.confidence)
    wide.weight = max(wide.weight, narrow.weight)
    wide.codes += narrow.codes
    wide.findings.update(narrow.findings)
    wide.joins |= narrow.joins
    for plan, gain in narrow.gains.items():
        before = wide.gains.get(plan)
        if before is None or (gain.expected or gain.share) > (before.expected or before.share):
            wide.gains[plan] = gain


def _score(merged: _Merged, whole: float) -> float:
    """Expected share of the measured time that comes back, times the weight."""
    times = [g.expected for g in merged.gains.values() if g.expected is not None]
    if times and whole > 0:
        return sum(times) / whole * merged.weight
    return max((g.share for g in merged.gains.values()), default=0.0) * merged.weight


def _order(
    merged: _Merged, score: float, cured: set[tuple[int, int]]
) -> tuple[int, float, int, float, tuple[str, ...]]:
    kind = merged.draft.kind
    # An index that statistics or another index would make harmless is dropped last, whatever the gain.
    after = merged.of_scan_alone or (kind == "drop_index" and merged.joins & cured)
    last = 2 if merged.estimate_alone else 1 if after else 0
    return (last, -round(score, 2), INVASIVENESS[kind], -score, merged.draft.sql)


def _document(merged: _Merged, rank: int, plans: Sequence[PlanAudit]) -> Remedy:
    draft = merged.draft
    highs = [g.high for g in merged.gains.values() if g.high is not None and not merged.estimate_alone]
    ratios = [g.cost_ratio for g in merged.gains.values() if g.cost_ratio is not None and not merged.estimate_alone]
    treated = frozenset(plan for plan, _ in merged.findings)
    return Remedy(
        rank=rank,
        kind=draft.kind,
        title=draft.title or TITLES[draft.kind],
        sql=draft.sql,
        sql_trial=draft.sql_trial or draft.sql,
        undo=draft.undo,
        undo_note=draft.undo_note,
        check_first=draft.check_first,
        lock=draft.lock,
        transactional=draft.transactional,
        tables=tuple(str(t) for t in draft.tables),
        columns=draft.columns,
        findings=tuple(FindingRef(plan=plan, finding=number) for plan, number in merged.findings),
        expected_gain_ms=GainMs(low=0.0, high=round(fsum(highs), 3)) if highs else None,
        cost_ratio=max(ratios, default=None),
        confidence=round(merged.confidence, 2),
        reason=draft.reason + (_ESTIMATE_ALONE if merged.estimate_alone else ""),
        side_effects=side_effects(draft, plans, treated),
        cautions=(*draft.cautions, _touches(draft), _EXECUTES, _PROCEDURE),
    )


def _touches(draft: Draft) -> str:
    """Whom the change touches beside the query; a query written another way may need statistics first."""
    if draft.kind == "query_rewrite":
        return _TOUCHES["more_statistics"] if draft.tables else _TOUCHES_NOTHING_ELSE
    return _TOUCHES.get(draft.kind, _TOUCHES["other"])
