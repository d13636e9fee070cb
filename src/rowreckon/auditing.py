"""Captures in, one audit out: the list of steps, each a pure function of what came before.

Nothing here reads a file, a clock or a server; the same captures give the same audit. What is made here has its fields'
types already: checking it again would need pydantic's validators of the whole document, for one plan's few values.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import fsum
from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.causes import CauseEvidence, find_causes
from rowreckon.collector import collector_paused
from rowreckon.counts import Origins, find_origins, own_times
from rowreckon.counts.probes import with_probes
from rowreckon.document import audit as doc
from rowreckon.elsewhere import judged_ms, time_elsewhere
from rowreckon.joins import judge_joins
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.joins.learning.order import in_order
from rowreckon.joins.learning.used import contradictions
from rowreckon.joins.verdict.contested import with_contests
from rowreckon.learned.facts import NOTHING_LEARNED, LearnedFacts
from rowreckon.plan.document import ExplainDocument
from rowreckon.plan.nodes import OtherNode
from rowreckon.plan.tree import PlanTree
from rowreckon.plan_head import head_of, plan_without_explain, session_of
from rowreckon.plan_nodes import told_nodes
from rowreckon.proposals import PlanAudit, missing_for, propose, with_spared_indexes
from rowreckon.time_split import time_by, whole_time_by
from rowreckon.version import __version__

if TYPE_CHECKING:
    from rowreckon.joins.learning.fellows import Fellows

DEFAULT_THRESHOLD = 10.0
"""The q-error from which on a row count is called misestimated: an order of magnitude."""


def audit(
    inputs: Iterable[Capture | doc.Rejected],
    *,
    threshold: float = DEFAULT_THRESHOLD,
    curves: bool = True,
    details: bool = True,
    one_database: bool | None = None,
) -> doc.Audit:
    """Audit captures; `Rejected` inputs are carried along. `threshold` is a q-error of at least 1.

    Without `curves` the joins' cost curves are left out: sampling them takes a fifth of judging, and only HTML and JSON
    hold them. Without `details` the nodes' conditions, blocks and figures are left out, and the borders of most joins
    looked up when asked for: for a terminal, which shows all of these only where it shows all. `one_database` says
    whether all plans are of one, so that each tells of the others' tables; None leaves it to what they hold. Plans are
    listed in the inputs' order.
    """
    given = list(inputs)
    work = Auditing(threshold=threshold, curves=curves, details=details, fellows=together(given, one_database))
    for item in given:
        work.add(item)
    return work.result()


def together(inputs: Sequence[Capture | doc.Rejected], one_database: bool | None) -> Fellows | None:
    """What the inputs' plans tell each other; None where that is nothing."""
    captures = [item for item in inputs if isinstance(item, Capture)]
    if len(captures) < 2:
        return None
    from rowreckon.joins.learning import fellows  # most audits are of one plan, which needs nothing of it

    found = fellows.Fellows(captures, one_database=one_database)
    return found if found.any_learn else None


def by_name(inputs: Iterable[Capture | doc.Rejected]) -> list[Capture | doc.Rejected]:
    """The inputs in an order that does not hang on the one in which they came."""
    return sorted(inputs, key=lambda i: in_order(i.name if isinstance(i, Capture) else i.source))


class Auditing:
    """An audit that grows by one input at a time, so that what is done can be told whenever it has to end."""

    def __init__(
        self,
        *,
        threshold: float = DEFAULT_THRESHOLD,
        curves: bool = True,
        details: bool = True,
        fellows: Fellows | None = None,
    ) -> None:
        """As for `audit`; `fellows` are what `together` found."""
        self.fellows = fellows
        self.threshold = threshold
        self.curves = curves
        self.details = details
        self.rejected: list[doc.Rejected] = []
        self._plans: list[tuple[doc.Plan, PlanAudit | None]] = []

    def add(self, item: Capture | doc.Rejected) -> None:
        """Audit one capture, or carry along what could not be read. An exception in between leaves all as it was."""
        if isinstance(item, doc.Rejected):
            self.rejected.append(item)
            return
        with collector_paused():
            learned = self.fellows.facts_for(item) if self.fellows is not None else NOTHING_LEARNED
            audited = audit_capture(
                item,
                index=len(self._plans),
                threshold=self.threshold,
                curves=self.curves,
                details=self.details,
                learned=learned,
            )
        self._plans.append(audited)

    @property
    def done(self) -> int:
        """How many inputs were added."""
        return len(self._plans) + len(self.rejected)

    def result(self) -> doc.Audit:
        """The audit of what was added so far."""
        audited = with_spared_indexes(self._plans)
        plans = [plan for plan, _ in audited]
        return doc.Audit.model_construct(
            tool_version=__version__,
            plans=tuple(plans),
            remedies=propose([evidence for _, evidence in audited if evidence is not None]),
            rejected=tuple(self.rejected),
            summary=summarize(plans, threshold=self.threshold),
        )


def audit_capture(
    capture: Capture,
    *,
    index: int = 0,
    threshold: float = DEFAULT_THRESHOLD,
    curves: bool = True,
    details: bool = True,
    learned: LearnedFacts = NOTHING_LEARNED,
) -> tuple[doc.Plan, PlanAudit | None]:
    """One capture's plan, audited, and what the remedies over all plans need of it (None without a plan)."""
    explain = capture.explain
    if explain is None:
        return plan_without_explain(capture), None
    reckoned = with_probes(reckoned_of(capture), capture.probes)
    tree = reckoned.tree
    origins = find_origins(reckoned)
    own_ms = own_times(reckoned)
    judged = judge_joins(
        capture,
        reckoned,
        origins,
        threshold=threshold,
        curves=curves,
        own_ms=own_ms,
        learned=learned,
        borders=details,
    )
    verdicts = with_contests(judged, capture.contests)
    found = find_causes(
        CauseEvidence(capture=capture, reckoned=reckoned, origins=origins, joins=verdicts.joins, threshold=threshold)
    )
    evidence = PlanAudit(
        index=index,
        capture=capture,
        reckoned=reckoned,
        joins=verdicts.joins,
        findings=found,
        own_ms=tuple(own_ms),
    )
    plan = doc.Plan.model_construct(
        **head_of(capture),
        notes=(*capture.notes, *_unknown_notes(explain, tree), *contradictions(learned)),
        analyzed=explain.analyzed,
        planning_ms=None if explain.planning_time is None else float(explain.planning_time),
        execution_ms=_execution_ms(explain, tree),
        nodes=told_nodes(reckoned, origins, own_ms, details=details),
        joins=verdicts.joins,
        findings=tuple(cause.finding for cause in found),
        origins=_origins(verdicts.joins, origins),
        time_elsewhere=time_elsewhere(explain, reckoned, own_ms, verdicts.joins) if explain.analyzed else (),
        joins_ms=judged_ms(reckoned, own_ms, verdicts.joins),
        time_by=time_by(explain, reckoned, own_ms, verdicts.joins) if explain.analyzed else None,
        session=session_of(capture),
        missing=(*verdicts.missing, *(m for m in missing_for(evidence) if m not in verdicts.missing)),
        learned_from=tuple(sorted({name for join in verdicts.joins for name in join.learned_from}, key=in_order)),
        with_right_counts=capture.right_counts,
        turns_at=tuple(dict.fromkeys(limit for join in verdicts.joins for limit in join.turns_at)),
        moved_facts=capture.moved_facts,
        values=capture.values,
        generic_plan=capture.generic_plan,
    )
    return plan, evidence


def summarize(plans: Sequence[doc.Plan], *, threshold: float) -> doc.Summary:
    """Counts over all plans; `execution_ms` sums the known ones, None where none is known."""
    verdicts = [join.verdict for plan in plans for join in plan.joins]
    times = [plan.execution_ms for plan in plans if plan.execution_ms is not None]
    wrong = sum(
        1 for plan in plans for node in plan.nodes if node.q_error_low is not None and node.q_error_low >= threshold
    )
    return doc.Summary.model_construct(
        plans=len(plans),
        joins=len(verdicts),
        crossed=verdicts.count("crossed"),
        held=verdicts.count("held"),
        undecided=verdicts.count("undecided"),
        accurate=verdicts.count("accurate"),
        misestimated_nodes=wrong,
        execution_ms=fsum(times) if times else None,
        time_by=whole_time_by(plans),
    )


def _unknown_notes(explain: ExplainDocument, tree: PlanTree) -> tuple[str, ...]:
    """Names of keys and node types that this release keeps but does not know."""
    keys: dict[str, None] = dict.fromkeys(explain.unknown_keys)
    types: dict[str, None] = {}
    for node in tree.nodes:
        if isinstance(node, OtherNode):
            types.setdefault(node.node_type)
        elif node.__pydantic_extra__:
            keys.update(dict.fromkeys(node.__pydantic_extra__))
    notes: list[str] = []
    if types:
        notes.append(f"node types kept without being understood: {', '.join(types)}")
    if keys:
        notes.append(f"keys kept without being understood: {', '.join(keys)}")
    return tuple(notes)


def _execution_ms(explain: ExplainDocument, tree: PlanTree) -> float | None:
    if explain.execution_time is not None:
        return float(explain.execution_time)
    root = tree.nodes[0]
    return None if root.actual_total_time is None else float(root.actual_total_time) * root.loops


def _origins(joins: Sequence[doc.Join], origins: Origins) -> tuple[doc.Origin, ...]:
    """One error, and the joins that suffer from it; the largest error first."""
    suffering: dict[int, list[int]] = {}
    for join in joins:
        if join.verdict == "accurate":
            continue
        for node in join.origin:
            suffering.setdefault(node, []).append(join.node)
    listed = []
    for node, numbers in suffering.items():
        entering = origins.here[node]
        factor = entering.factor if entering is not None else None
        listed.append(doc.Origin(node=node, joins=tuple(numbers), q_error_here=factor))
    return tuple(sorted(listed, key=lambda o: (-(o.q_error_here or 0.0), o.node)))
