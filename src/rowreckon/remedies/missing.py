"""Which evidence would tell the causes apart, and the command that gets it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rowreckon.remedies import checks
from rowreckon.report.document import Missing

if TYPE_CHECKING:
    from rowreckon.causes import CauseFinding
    from rowreckon.remedies.plan_audit import PlanAudit

_SURE = 0.75


def missing_facts(plan: PlanAudit) -> tuple[Missing, ...]:
    """The evidence that would decide more about this plan's causes, each once."""
    return tuple(dict.fromkeys(_missing(plan)))


def _missing(plan: PlanAudit) -> Iterator[Missing]:
    doubtful = [f for f in plan.findings if f.finding.confidence < _SURE or f.code == "unexplained"]
    explain = plan.capture.explain
    catalog = plan.capture.catalog
    if explain is None or not plan.findings:
        return
    if doubtful and catalog is None:
        tables = ", ".join(dict.fromkeys(t for f in doubtful for t in f.finding.tables)) or "the plan's tables"
        yield Missing(
            what=f"the catalog's facts of {tables}: age of the statistics, frequencies, statistics objects, indexes",
            why="from the plan alone rival causes look the same",
            how="rowreckon sweep with --dsn, or rowreckon ask PLAN for a colleague who may connect",
        )
        if explain.plan.shared_hit_blocks is None and any(f.subject.table for f in doubtful):
            yield Missing(
                what="how many pages each scan read",
                why="with the page count a scan's cost tells how many rows the planner took the table to hold",
                how="EXPLAIN (ANALYZE, BUFFERS, VERBOSE, SETTINGS, FORMAT JSON)",
            )
    for finding in plan.findings:
        yield from _of_finding(finding)


def _of_finding(finding: CauseFinding) -> Iterator[Missing]:
    subject = finding.subject
    if finding.code == "partition_parent_not_analyzed" and subject.table is None and subject.partitions:
        yield Missing(
            what="the name of the partitioned table",
            why="the plan names its partitions only, and the table as a whole has to be analyzed",
            how=checks.partition_parents(subject.partitions),
        )
    relation = subject.relation
    if relation is not None and not relation.statistics_readable and finding.code != "statistics_not_usable":
        yield Missing(
            what=f"the statistics of {relation.qualified_name}",
            why="this role may not see them, so that their absence proves nothing",
            how="read the catalog as the table's owner",
        )
    if relation is not None and relation.n_mod_since_analyze is None and finding.code == "stale_statistics":
        yield Missing(
            what=f"how much of {relation.qualified_name} was modified since its last ANALYZE",
            why="the server keeps no counters of it (a fresh copy, a standby, or a reset)",
            how="run the same reading on the server where the query is slow",
        )
