"""From candidates to findings: rivals share one unit of belief, and what is left over is doubt."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from rowreckon.causes import unexplained
from rowreckon.causes.dear_scans import dear_scans
from rowreckon.causes.evidence import CauseEvidence
from rowreckon.causes.finding import DOUBT, Candidate, CauseFinding, JoinCandidate, ScanCandidate
from rowreckon.causes.harm import harm_of, sufferers
from rowreckon.causes.registry import CAUSES, CODES
from rowreckon.causes.scans import partition_parent_alias
from rowreckon.causes.site import Context, Site, find_site
from rowreckon.counts.origin import Entering
from rowreckon.document.audit import Finding, Join
from rowreckon.plural import counted
from rowreckon.remedies.subject import Subject, TableName

_WORTH_TELLING = 0.1
_SUREST = 0.99
"""No cause is told as certain: the plan and the catalog may have been read at different times."""
_LEAST_FACTOR = 2.0
_CURES = 0.4
"""Confidence from which on a curable cause makes it idle to look for a last resort."""

_HANDS_ON = frozenset(
    (
        "Sort",
        "Incremental Sort",
        "Materialize",
        "Memoize",
        "Hash",
        "Gather",
        "Gather Merge",
        "Limit",
        "LockRows",
        "ModifyTable",
        "Append",
        "Merge Append",
        "BitmapAnd",
        "BitmapOr",
    )
)
"""Nodes that estimate nothing of their own."""

_NOTE = {
    "nothing": " No join's method suffers from it: nothing to win.",
    "undecided": "",
    "crossed": "",
}


def find_all(evidence: CauseEvidence) -> tuple[CauseFinding, ...]:
    """All findings of one plan; see `find_causes`."""
    reached = sufferers(evidence.joins)
    wrong = tuple(_wrong_nodes(evidence, reached))
    served = [j for j in evidence.joins if j.verdict == "crossed" or any(c.ways for c in j.costs.values())]
    dear = tuple(dear_scans(evidence))
    if not wrong and not served and not dear:
        return ()
    context = Context.of(evidence)
    found: list[tuple[CauseFinding, object]] = []
    for entering in wrong:
        site = find_site(context, entering)
        judged = _judge(site, context, reached.get(site.number, ()))
        found.extend((f, _merge_key(f, site, context)) for f in judged)
    merged = _merge(found)
    cured = {n for f in merged if f.subject.curable and f.finding.confidence >= _CURES for n in f.finding.joins}
    for join in served:
        for candidate in (c for cause in CAUSES if (c := cause.check_join(join, context)) is not None):
            if not (candidate.last_resort and join.node in cured):
                merged.append(finding_of_join(candidate))
    told = {f.subject.table for f in merged if f.code == "missing_join_index"}
    for node in dear:
        scans = (cause.check_scan(node, context) for cause in CAUSES)
        merged += [_finding_of_scan(s) for s in scans if s is not None and s.subject.table not in told]
    return tuple(sorted(merged, key=_order))


def _wrong_nodes(evidence: CauseEvidence, reached: Mapping[int, tuple[Join, ...]]) -> Iterable[Entering]:
    """The nodes at which an error enters that is large itself or that a misestimated join suffers from."""
    nodes = evidence.reckoned.tree.nodes
    for entering in evidence.origins.here:
        if entering is None or entering.direction == "even":
            continue
        if entering.factor < evidence.threshold and (entering.node not in reached or entering.factor < _LEAST_FACTOR):
            continue
        if nodes[entering.node].node_type in _HANDS_ON:
            continue
        if entering.direction == "over" and evidence.reckoned.counts[entering.node].state == "at_least":
            continue  # a count that was stopped early proves no overestimate
        yield entering


def _judge(site: Site, context: Context, joins: tuple[Join, ...]) -> list[CauseFinding]:
    rivals = [c for cause in CAUSES if (c := cause.check(site, context)) is not None]
    whole = sum(c.weight for c in rivals) + DOUBT
    told = [(c, c.weight / whole) for c in rivals if c.weight / whole >= _WORTH_TELLING]
    doubt = DOUBT / whole
    if not told or doubt >= max(share for _, share in told):
        told.append((unexplained.candidate(site, context), doubt))
    harms = harm_of(site, joins, context)
    return [
        CauseFinding(
            finding=_document(candidate, site, share, joins, harms),
            subject=candidate.subject,
            factor=site.factor,
            harms=harms,
        )
        for candidate, share in told
    ]


def _document(candidate: Candidate, site: Site, share: float, joins: Sequence[Join], harms: str) -> Finding:
    subject = candidate.subject
    tables = [t for t in (subject.table, subject.other_table, *subject.partitions) if t is not None and t.name]
    return Finding(
        code=candidate.code,
        node=site.number,
        joins=tuple(j.node for j in joins),
        tables=tuple(dict.fromkeys(str(t) for t in tables)),
        columns=(*subject.columns, *subject.expressions),
        confidence=round(min(share, _SUREST), 2),
        basis=candidate.basis,
        summary=candidate.summary + (_NOTE[harms] if candidate.code != "unexplained" else ""),
        evidence=candidate.evidence,
        explains=None if candidate.explains is None else round(max(min(candidate.explains, site.factor), 1.0), 2),
    )


def finding_of_join(candidate: JoinCandidate) -> CauseFinding:
    """The finding of a cause that is told of a join."""
    subject = candidate.subject
    finding = Finding(
        code=candidate.code,
        node=candidate.join.node,
        joins=(candidate.join.node,),
        tables=(str(subject.table),) if subject.table is not None else (),
        columns=subject.columns,
        confidence=candidate.confidence,
        basis=candidate.basis,
        summary=candidate.summary,
        evidence=candidate.evidence,
    )
    return CauseFinding(finding=finding, subject=subject, factor=candidate.ratio, harms=candidate.harms)


def _finding_of_scan(candidate: ScanCandidate) -> CauseFinding:
    subject = candidate.subject
    finding = Finding(
        code=candidate.code,
        node=candidate.node,
        joins=(),
        tables=(str(subject.table),) if subject.table is not None else (),
        columns=subject.columns,
        confidence=candidate.confidence,
        basis=candidate.basis,
        summary=candidate.summary,
        evidence=candidate.evidence,
    )
    return CauseFinding(finding=finding, subject=subject, factor=candidate.ratio, harms="time")


def _merge_key(finding: CauseFinding, site: Site, context: Context) -> object:
    """One table scanned twice, or partition by partition, is one story."""
    subject = finding.subject
    parent = partition_parent_alias(context.tree, site.number)
    if finding.code == "unexplained" and parent is None:
        return (finding.code, site.number)
    family = parent or str(subject.table)
    return (finding.code, family, subject.columns, subject.expressions, subject.function, subject.other_table)


def _merge(found: Sequence[tuple[CauseFinding, object]]) -> list[CauseFinding]:
    groups: dict[object, list[CauseFinding]] = {}
    for finding, key in found:
        groups.setdefault(key, []).append(finding)
    return [_union(group) for group in groups.values()]


def _union(group: Sequence[CauseFinding]) -> CauseFinding:
    first = max(group, key=lambda f: (_HARM[f.harms], f.factor))
    if len(group) == 1:
        return first
    tables: dict[TableName, None] = {}
    for f in group:
        tables.update(dict.fromkeys(t for t in (f.subject.table, *f.subject.partitions) if t is not None))
    subject = first.subject
    if len(tables) > 1:
        subject = _with_partitions(subject, tuple(tables))
    finding = first.finding.model_copy(
        update={
            "joins": tuple(sorted({n for f in group for n in f.finding.joins})),
            "confidence": max(f.finding.confidence for f in group),
            "tables": tuple(dict.fromkeys(t for f in (first, *group) for t in f.finding.tables)),
            "summary": first.finding.summary + (_also(len(tables) - 1) if len(tables) > 1 else ""),
        }
    )
    return CauseFinding(finding=finding, subject=subject, factor=first.factor, harms=first.harms)


def _also(others: int) -> str:
    return f" The same holds for {counted(others, 'more partition')}."


def _with_partitions(subject: Subject, partitions: tuple[TableName, ...]) -> Subject:
    return replace(subject, partitions=partitions)


_HARM = {"crossed": 3, "time": 2, "undecided": 1, "nothing": 0}


def _order(finding: CauseFinding) -> tuple[float, ...]:
    """The most harmful first, the largest error among them; at one node the most certain cause."""
    # A tie goes to the doubt: better no name than the nearest guess.
    rank = -1 if finding.code == "unexplained" else CODES.index(finding.code)
    return (
        -_HARM[finding.harms],
        -finding.factor,
        finding.finding.node or 0,
        -finding.finding.confidence,
        rank,
    )
