"""Verdicts alone, on misestimated joins alone: what an archive of many plans counts. No figures are worked out."""

from __future__ import annotations

from rowreckon.capture import Capture
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import Verdict
from rowreckon.frozen import frozen
from rowreckon.joins.facts.catalog_facts import CatalogFacts
from rowreckon.joins.facts.misestimated import misestimated_joins
from rowreckon.joins.facts.settings import settings_of
from rowreckon.joins.facts.sides import Aliases, join_facts
from rowreckon.joins.from_plan.whole_table_scans import RelationEvidence
from rowreckon.joins.verdict.assess import assess
from rowreckon.joins.verdict.best_evidence import gather_all


@frozen
class VerdictAlone:
    """The verdict on the join at `node`; `loss_factor` is its cost over the cheapest one's at the actual rows."""

    node: int
    verdict: Verdict
    loss_factor: float | None


def verdicts_alone(capture: Capture, reckoned: ReckonedTree, *, threshold: float) -> tuple[VerdictAlone, ...]:
    """The verdict on each join whose sides or output are off by the threshold or more, in pre-order.

    The same verdicts as `judge_joins` gives them. `threshold` is a q-error of at least 1.
    """
    joins = misestimated_joins(reckoned, threshold=threshold)
    if not joins:
        return ()
    settings, _ = settings_of(capture, reckoned.tree)
    known = CatalogFacts(capture.catalog, reckoned.tree, settings) if capture.catalog is not None else None
    relations = RelationEvidence(settings, reckoned)
    aliases = Aliases(reckoned.tree)
    needed = joins if known is None else tuple(join_facts(reckoned, n, aliases) for n in reckoned.tree.joins())
    evidence = gather_all(settings, capture, reckoned, needed, known, relations)
    found = []
    for facts in joins:
        result = assess(
            reckoned, facts, evidence[facts.node], threshold, (), inner_differs=False, lacking=(), verdict_alone=True
        )
        found.append(VerdictAlone(facts.node, result.verdict, result.loss_factor))
    return tuple(found)
