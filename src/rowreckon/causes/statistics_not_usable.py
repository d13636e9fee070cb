"""# statistics_not_usable

## What it finds
Statistics that exist and that the planner may not use for this role. Row security, a security-barrier view or rights
on the columns forbid it, together with an operator that is not leakproof.

## Why it hurts
Without the right to see the values the planner falls back on default shares, as if the table had never been analyzed.
It does so only for this role.

## Evidence it needs
From the catalog: row security that restricts this role, or a column that it may not read. From the plan: an estimate
that is the default share. Behind a security-barrier view the plan shows the filter above the table's scan, at a
Subquery Scan.

## Remedy
Compare the plan under the table's owner first. Two ways write the query so that no data are opened to anybody. A
pattern such as LIKE 'late%' keeps the same rows as ^@ 'late', whose function is leakproof. Under row security a filter
on columns that the role may read can be asked for as (filter) IS TRUE. Statistics on the filter itself then tell how
often it is true (CREATE STATISTICS, from 14 on). No operator looks at hidden values for that. EXPLAIN shows this role
the one share. Such statistics serve one value of the filter.

The other ways are told in words, without a statement: who may see what is a decision about security. A superuser who
trusts the operator's function can mark it LEAKPROOF (ALTER FUNCTION). It then counts as harmless for every role. Other
ways are a filter whose operator is leakproof already, such as = on most types, and a grant on the column. A report that
may see all rows can run as a role with BYPASSRLS. A view that hides nothing from anybody can do without
security_barrier.

## When it is wrong
The role that captured the plan may not be the one that runs the query. A subquery that is fenced off otherwise looks
like a security barrier.

## References
PostgreSQL documentation, "Rules and Privileges", CREATE POLICY and CREATE FUNCTION (LEAKPROOF);
statistic_proc_security_check in selfuncs.c.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.causes.defaults import betrays, default_selectivity
from rowreckon.causes.finding import PROVEN, STRONG, Candidate, fact
from rowreckon.causes.scans import is_base_scan, relation_of, table_of
from rowreckon.causes.site import Context, Site
from rowreckon.causes.wording import rows_sentence
from rowreckon.plan.nodes import SubqueryScanNode
from rowreckon.remedies.draft import Draft
from rowreckon.remedies.hidden_statistics import let_statistics_be_used
from rowreckon.remedies.subject import Subject

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation

TITLE = "statistics hidden from this role"


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where the catalog says that this role is kept from the statistics."""
    if site.node.node_type == "Subquery Scan":
        return _behind_barrier(site, context)
    relation = site.relation
    if site.kind not in ("scan", "lookup") or relation is None or site.table is None:
        return None
    columns = tuple(dict.fromkeys(c.column for clause in site.own for c in clause.columns))
    unreadable = [c.name for name in columns if (c := relation.column(name)) is not None and not c.readable]
    if not (relation.row_security_active or unreadable or not relation.selectable or not relation.statistics_readable):
        return None
    reason = (
        "row security restricts this role"
        if relation.row_security_active
        else f"this role may not read {', '.join(unreadable) if unreadable else 'the table'}"
    )
    share = default_selectivity(site.own, relation)
    default = False
    if share is not None and site.total_rows:
        rows = site.planned_rows or site.total_rows
        exactly = site.planned_rows is not None
        default = betrays(site.estimate / site.executions, rows, share, exactly=exactly)
    return Candidate(
        code="statistics_not_usable",
        weight=PROVEN if default else STRONG,
        basis="catalog",
        summary=f"The planner may not use the statistics of {site.table}: {reason}. {rows_sentence(site)}",
        evidence=(
            fact("row security restricts this role", relation.row_security_active, "catalog"),
            fact("columns that this role may not read", ", ".join(unreadable), "catalog"),
            fact("the estimate is the default share", default, "plan"),
        ),
        subject=Subject(
            table=site.table,
            relation=relation,
            columns=columns,
            alias=site.alias if relation.row_security_active or _needs_no_index(site, relation) else None,
        ),
    )


def _needs_no_index(site: Site, relation: Relation) -> bool:
    """Whether the query may be written so that no index finds its filter: where more rows came than were expected, as
    many as the table has pages, an index spares few pages."""
    return site.direction == "under" and 0 < relation.relpages <= site.actual / site.executions


def _behind_barrier(site: Site, context: Context) -> Candidate | None:
    """A filter that had to stay above the scan of one table, where the planner takes no statistics.

    The operator of a filter that is not leakproof stays outside a security-barrier view, and there
    examine_simple_variable (selfuncs.c) looks at no statistics of the view's columns, for whatever role.
    """
    below = context.tree.inputs(site.number)
    scan = context.tree.nodes[below[0]] if len(below) == 1 else None
    if scan is None or not is_base_scan(scan) or not site.own:
        return None
    relation = relation_of(scan, context.catalog)
    table = table_of(scan, relation)
    share, rows = default_selectivity(site.own, relation), context.evidence.reckoned.counts[below[0]].estimate
    columns = tuple(dict.fromkeys(c.column for clause in site.own for c in clause.columns))
    if table is None or share is None or not rows or not columns or _lack_statistics(relation, columns):
        return None
    if not betrays(site.estimate / site.executions, rows / site.executions, share, exactly=True):
        return None
    return Candidate(
        code="statistics_not_usable",
        weight=STRONG,
        basis="catalog" if relation is not None else "plan",
        summary=f"The filter on {', '.join(columns)} stays above the scan of {table}, as behind a security barrier. "
        f"There the planner takes no statistics. {rows_sentence(site)}",
        evidence=(
            fact("the estimate is the default share", True, "plan"),
            fact("rows that the scan below was expected to give", rows, "plan"),
        ),
        subject=Subject(table=table, relation=relation, columns=columns, alias=_alias(site)),
    )


def _alias(site: Site) -> str | None:
    """The name under which the query reads the view."""
    node = site.node
    return node.alias if isinstance(node, SubqueryScanNode) else None


def _lack_statistics(relation: Relation | None, columns: tuple[str, ...]) -> bool:
    """Whether the catalog shows that a column has no statistics at all, or that it is no column of the table."""
    if relation is None:
        return False
    found = [relation.column(name) for name in columns]
    readable = relation.statistics_readable
    return any(c is None or (readable and c.readable and not c.statistics) for c in found)


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """The query written so that statistics speak, then the documented ways in words."""
    return let_statistics_be_used(subject, capture)
