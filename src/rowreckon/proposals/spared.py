"""Indexes that lure one query while another query of the list lives by them: none of them is proposed to be dropped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rowreckon.causes import CauseFinding
from rowreckon.document import audit as doc
from rowreckon.plan.tree import index_of
from rowreckon.plural import agreeing, counted
from rowreckon.proposals.plan_audit import PlanAudit

Audited = tuple[doc.Plan, PlanAudit | None]


def with_spared_indexes(plans: Sequence[Audited]) -> list[Audited]:
    """The plans, with findings that ask for no drop where a plan that the index does not lure reads it as well."""
    lured: dict[str, set[int]] = {}
    for _, audit in plans:
        for finding in audit.findings if audit is not None else ():
            if _asks_for_drop(finding) and audit is not None and finding.subject.index is not None:
                lured.setdefault(finding.subject.index, set()).add(audit.index)
    if not lured:
        return list(plans)
    readers = dict.fromkeys(lured, 0)
    for _, audit in plans:
        read = {index_of(n) for n in audit.reckoned.tree.nodes} if audit is not None else set()
        for name, own in lured.items():
            readers[name] += audit is not None and name in read and audit.index not in own
    return [_spared(plan, audit, readers) for plan, audit in plans]


def _asks_for_drop(finding: CauseFinding) -> bool:
    return finding.code == "luring_index" and finding.subject.curable


def _spared(plan: doc.Plan, audit: PlanAudit | None, readers: dict[str, int]) -> Audited:
    if audit is None or not any(_readers_of(f, readers) for f in audit.findings):
        return plan, audit
    findings = tuple(_kept(f, n) if (n := _readers_of(f, readers)) else f for f in audit.findings)
    document = plan.model_copy(update={"findings": tuple(f.finding for f in findings)})
    return document, replace(audit, findings=findings)


def _readers_of(finding: CauseFinding, readers: dict[str, int]) -> int:
    return readers.get(finding.subject.index or "", 0) if _asks_for_drop(finding) else 0


def _kept(finding: CauseFinding, number: int) -> CauseFinding:
    told = f" {counted(number, 'other query', 'other queries')} of the list {agreeing(str(number), 'reads', 'read')} it"
    summary = f"{finding.finding.summary}{told}, so no drop is proposed."
    document = finding.finding.model_copy(update={"summary": summary})
    return replace(finding, finding=document, subject=replace(finding.subject, curable=False))
