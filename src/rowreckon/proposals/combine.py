"""Remedies that help only together: a join that suffers from several errors is mended when all of them are."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from rowreckon.causes import CauseFinding
from rowreckon.causes.registry import BY_CODE
from rowreckon.document.audit import Join
from rowreckon.frozen import frozen
from rowreckon.proposals.plan_audit import PlanAudit
from rowreckon.remedies.draft import INVASIVENESS, Draft

STILL_WRONG = 3.0
"""Error that one cure alone would leave at the join, from which on it is not expected to change the plan; common
practice, no source."""

_MOST = 3


@frozen
class Combination:
    """One draft made of several findings' drafts, in one plan; `parts` are the SQL of those that don't help alone."""

    draft: Draft
    findings: tuple[int, ...]
    confidence: float
    join: int
    parts: tuple[tuple[str, ...], ...]


def combinations(plan: PlanAudit) -> Iterator[Combination]:
    """The combinations that the plan's crossed joins need."""
    for join in plan.joins:
        if join.verdict != "crossed":
            continue
        best = _likeliest(plan, join)
        if not 2 <= len(best) <= _MOST:
            continue
        whole = 1.0
        for _, finding in best.values():
            whole *= finding.factor
        if any(whole / finding.factor < STILL_WRONG for _, finding in best.values()):
            continue  # one of the cures alone leaves an error that is small enough
        yield from _combine(plan, join.node, list(best.values()))


def _likeliest(plan: PlanAudit, join: Join) -> dict[int, tuple[int, CauseFinding]]:
    """For each node at which the join's error enters the likeliest cause, where that one has a cure."""
    seen: set[int] = set()
    best: dict[int, tuple[int, CauseFinding]] = {}
    for number, finding in enumerate(plan.findings):  # the most certain first
        node = finding.finding.node
        if node is None or node not in join.origin or node in seen or finding.harms == "time":
            continue
        seen.add(node)
        if finding.subject.curable and BY_CODE[finding.code].curable:
            best[node] = (number, finding)
    return best


def _combine(plan: PlanAudit, join: int, members: Sequence[tuple[int, CauseFinding]]) -> Iterator[Combination]:
    drafts: list[Draft] = []
    confidence = 1.0
    for _, finding in members:
        built = BY_CODE[finding.code].remedy(finding.subject, plan.capture)
        if not built or built[0].kind == "query_rewrite":
            return  # a query written anew for one error is not the one that the other's cure was found for
        drafts.append(built[0])
        confidence *= finding.finding.confidence * built[0].works
    if len({d.sql for d in drafts}) < 2 or not all(d.sql for d in drafts):
        return  # one statement cures both, or none is written for one of them
    yield Combination(
        draft=_joined(drafts),
        findings=tuple(number for number, _ in members),
        confidence=confidence,
        join=join,
        parts=tuple(d.sql for d in drafts),
    )


def _joined(drafts: Sequence[Draft]) -> Draft:
    last = max(drafts, key=lambda d: INVASIVENESS[d.kind])
    undo = [d.undo for d in reversed(drafts) if d.undo is not None]
    notes = [n for d in drafts if (n := d.undo_note) is not None]
    checks = [c for d in drafts if (c := d.check_first) is not None]
    locks = dict.fromkeys(d.lock for d in drafts if d.lock is not None)
    return Draft(
        kind=last.kind,
        title=f"Make {len(drafts)} changes together",
        sql=_each_once(d.sql for d in drafts),
        sql_trial=_each_once(d.sql_trial or d.sql for d in drafts),
        reason="Only together: the join suffers from several errors, and each cure alone leaves it misestimated. "
        + " ".join(d.reason for d in drafts),
        works=1.0,
        transactional=all(d.transactional for d in drafts),
        undo=_each_once(undo) if undo else None,
        undo_note=". ".join(dict.fromkeys(notes)) or None,
        check_first=checks[0] if checks else None,
        lock=next(iter(locks)) if len(locks) == 1 else last.lock,
        tables=tuple(dict.fromkeys(t for d in drafts for t in d.tables)),
        columns=tuple(dict.fromkeys(c for d in drafts for c in d.columns)),
        cautions=tuple(dict.fromkeys(c for d in drafts for c in d.cautions)),
    )


def _each_once(groups: Iterable[Sequence[str]]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(s for group in groups for s in group))
