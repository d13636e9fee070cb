"""# generic_plan

## What it finds
A prepared statement's generic plan: conditions show $1 where a value stood, so the estimate is that of an average
value.

## Why it hurts
After five executions PostgreSQL may keep one plan for all values. For a frequent value the average is far too low. Of a
range a third is taken (of two bounds half a percent), whatever the bounds are.

## Evidence it needs
A parameter $n in a condition of the node, not the result of an InitPlan. The same statement with the value written out
gets another estimate.

## Remedy
plan_cache_mode = force_custom_plan for this statement's role, or unprepared statements in the client; planning then
costs its time at each execution.

## When it is wrong
If every value were equally frequent, average and value would agree: then the statistics themselves are at fault.

## References
PostgreSQL documentation, PREPARE ("generic plan") and plan_cache_mode; plancache.c, choose_custom_plan.
"""

from __future__ import annotations

from rowreckon.capture import Capture
from rowreckon.causes.finding import PROVEN, STRONG, Candidate, fact
from rowreckon.causes.site import Context, Site
from rowreckon.causes.wording import rows_sentence
from rowreckon.remedies.draft import SAMPLED, Draft
from rowreckon.remedies.subject import Subject

TITLE = "generic plan"


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where a restriction at the node compares with an external parameter."""
    if site.kind not in ("scan", "lookup", "join"):
        return None
    given = {p for clause in (*site.own, *site.joined) for p in clause.parameters}
    # Up to release 16 the result of an InitPlan is printed as $n too; its subplan's name lists it.
    external = sorted(p for p in given - context.subplan_results if p != "$0")
    if not external:
        return None
    clauses = [c.text for c in (*site.own, *site.joined) if set(c.parameters) & set(external)]
    known = context.evidence.capture.settings or {}
    mode = known.get("plan_cache_mode")
    evidence = [fact("condition with a parameter", text, "plan") for text in clauses]
    if mode is not None:
        evidence.append(fact("plan_cache_mode", mode, "settings"))
    return Candidate(
        code="generic_plan",
        weight=PROVEN if len(clauses) == len(site.own) + len(site.joined) else STRONG,
        basis="plan",
        summary=f"This is a generic plan: {', '.join(external)} stood for an average value. {rows_sentence(site)}",
        evidence=tuple(evidence),
        subject=Subject(
            table=site.table,
            relation=site.relation,
            columns=tuple(dict.fromkeys(c.column for cl in site.own for c in cl.columns)),
        ),
    )


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """Custom plans for the session that prepares the statement."""
    tables = (subject.table,) if subject.table is not None else ()
    return (
        Draft(
            kind="statement_setting",
            sql=("SET plan_cache_mode = force_custom_plan",),
            undo=("RESET plan_cache_mode",),
            reason="Plan the statement with the real values: a generic plan knows only average ones.",
            works=SAMPLED,
            lock=None,
            tables=tables,
            columns=subject.columns,
            cautions=(
                "each execution is then planned anew; set it for one role or one transaction rather than everywhere",
                "it changes every prepared statement of the session, not this one alone",
            ),
        ),
    )
