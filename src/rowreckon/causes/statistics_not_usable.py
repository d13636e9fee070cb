"""# statistics_not_usable

## What it finds
Statistics that exist and that the planner may not use for this role. Row security, a security-barrier view or rights
on the columns forbid it, together with an operator that is not leakproof.

## Why it hurts
Without the right to see the values the planner falls back on default shares, as if the table had never been analyzed.
It does so only for this role.

## Evidence it needs
From the catalog: row security that restricts this role, or a column that it may not read. From the plan: an estimate
that is the default share.

## Remedy
None that a tool should propose: who may see what is a decision about security. Compare the plan under the table's
owner; a leakproof operator or a grant on the column are the ways.

## When it is wrong
The role that captured the plan may not be the one that runs the query.

## References
PostgreSQL documentation, "Rules and Privileges", CREATE POLICY and CREATE FUNCTION (LEAKPROOF);
statistic_proc_security_check in selfuncs.c.
"""

from __future__ import annotations

from rowreckon.causes.defaults import betrays, default_selectivity
from rowreckon.causes.finding import PROVEN, STRONG, Candidate, fact
from rowreckon.causes.site import Context, Site
from rowreckon.causes.wording import rows_sentence
from rowreckon.remedies.subject import Subject

TITLE = "statistics hidden from this role"


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where the catalog says that this role is kept from the statistics."""
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
        subject=Subject(table=site.table, relation=relation, columns=columns, curable=False),
    )
