"""Which evidence would tell the causes apart, and the command that gets it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rowreckon.causes.registry import BY_CODE
from rowreckon.causes.scans import table_of
from rowreckon.causes.wording import listed
from rowreckon.document.audit import Missing
from rowreckon.joins.facts.missing_evidence import ASK
from rowreckon.remedies import checks

if TYPE_CHECKING:
    from rowreckon.causes import CauseFinding
    from rowreckon.proposals.plan_audit import PlanAudit

_SURE = 0.8
"""Confidence from which on nothing else is asked for: more than what is barely positive evidence."""

_MANY = 10_000
"""Rows of a table read in full from which on an index is worth asking for; common practice, no source."""

_NEARLY_ALL = 0.99
"""Share of them that neither the other side drives nor the join keeps."""


def missing_facts(plan: PlanAudit) -> tuple[Missing, ...]:
    """The evidence that would decide more about this plan's causes, each once."""
    return tuple(dict.fromkeys(_missing(plan)))


def _missing(plan: PlanAudit) -> Iterator[Missing]:
    doubtful = [f for f in plan.findings if f.finding.confidence < _SURE or f.code == "unexplained"]
    explain = plan.capture.explain
    catalog = plan.capture.catalog
    if explain is None:
        return
    if catalog is None:
        yield from _indexes(plan)
    if doubtful and catalog is None:
        tables = listed(tuple(dict.fromkeys(t for f in doubtful for t in f.finding.tables)) or ("the plan's tables",))
        yield Missing(
            what=f"the catalog's facts of {tables} (age of the statistics, frequencies, statistics objects, indexes)",
            why="from the plan alone rival causes look the same",
            how=ASK,
        )
        if explain.plan.shared_hit_blocks is None and any(f.subject.table for f in doubtful):
            yield Missing(
                what="how many pages each scan read",
                why="with the page count a scan's cost tells how many rows the planner took the table to hold",
                how="-- runs the query, so use a development copy:\n"
                "EXPLAIN (ANALYZE, BUFFERS, VERBOSE, SETTINGS, FORMAT JSON) SELECT …;",
            )
    for finding in plan.findings:
        yield from _of_finding(finding)


def _indexes(plan: PlanAudit) -> Iterator[Missing]:
    """Tables that a join reads in full for few of their rows: the plan does not tell which indexes they have."""
    tree, counts = plan.reckoned.tree, plan.reckoned.counts
    for join in plan.joins:
        kept = counts[join.node].actual
        if join.method == "nested_loop" or not join.equality or kept is None:
            continue
        for side, other in ((join.inner, join.outer), (join.outer, join.inner)):
            node, rows, drive = tree.nodes[side.node], side.actual_rows, other.actual_rows
            table = table_of(node)
            if node.node_type != "Seq Scan" or table is None or rows is None or drive is None or rows < _MANY:
                continue
            if max(kept, drive) <= (1 - _NEARLY_ALL) * rows:
                yield Missing(
                    what=f"whether an index of {table} begins with the join key",
                    why=f"{rows:,.0f} of its rows were read for {kept:,.0f} that the join keeps",
                    how=checks.indexes((table,)),
                )


def _of_finding(finding: CauseFinding) -> Iterator[Missing]:
    relation = finding.subject.relation
    if relation is not None and not relation.statistics_readable and finding.code != "statistics_not_usable":
        yield Missing(
            what=f"the statistics of {relation.qualified_name}",
            why="this role may not see them, so that their absence proves nothing",
            how="read the catalog as the table's owner",
        )
    wanted = BY_CODE[finding.code].missing(finding.subject)
    if wanted is not None:
        yield wanted
