"""# stale_statistics

## What it finds
Statistics that describe the table as it was: rows were loaded, deleted or rewritten since the last ANALYZE.

## Why it hurts
The planner scales the row count with the file's size, but takes value frequencies and value ranges from the last
ANALYZE. New values (today's dates, a new status) look absent, and an absent value is expected to bring one row.

## Evidence it needs
The scan's row total (rows kept plus rows removed by the filter) against the planner's total, or against the rows
counted at the last ANALYZE; the server's count of modified rows; a single frequent value that the planner missed.

## Remedy
ANALYZE; where it will come back, a lower autovacuum_analyze_scale_factor for this table.

## When it is wrong
A total that agrees and counters that say "nothing modified" exclude it. Bloat shifts the planner's total as well:
ANALYZE puts that right too.

## References
PostgreSQL documentation, "Updating Planner Statistics", "Row Estimation Examples"; estimate_rel_size in plancat.c.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.causes.defaults import betrays, default_selectivity
from rowreckon.causes.finding import LIKELY, POSSIBLE, PROVEN, STRONG, WEAK, Candidate, Subject, fact
from rowreckon.causes.keys import group_keys, join_keys
from rowreckon.causes.restrictions import (
    Age,
    Restriction,
    age_of,
    age_of_relation,
    exceeds,
    lacks_statistics,
    likeliest_bound,
    restrictions,
)
from rowreckon.causes.scans import is_temporary, name_of
from rowreckon.causes.wording import count, rows, rows_sentence

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation
    from rowreckon.causes.site import Context, Site

TITLE = "old statistics"

_SURELY_SAMPLED = 0.015
"""Share of the rows above which one value is never left out of a fresh list of common values at the default target:
at most 100 values can be as frequent as 1%, and 30,000 sampled rows hold each of them 300 times."""


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where totals, counters or a missed frequent value speak for old statistics."""
    if site.kind in ("scan", "lookup") and site.table is not None:
        return _scan(site, context)
    if site.kind in ("join", "groups"):
        keys = join_keys(site, context) if site.kind == "join" else group_keys(site, context)
        for key in keys:
            if key.relation is None or not _analyzed(key.relation):
                continue
            age = age_of_relation(key.relation, context.total_of(key.table))
            if age.state in ("old", "modified"):
                table = name_of(key.relation)
                weight = STRONG if age.state == "old" else WEAK
                return _candidate(site, Subject(table=table, relation=key.relation), age, weight, "catalog")
    return None


def _scan(site: Site, context: Context) -> Candidate | None:
    found = restrictions(site)
    columns = tuple(r.column for r in found if r.column is not None)
    if site.relation is not None and (not _analyzed(site.relation) or lacks_statistics(site, columns)):
        return None
    age = age_of(site, site.relation)
    subject = Subject(
        table=site.table, relation=site.relation, columns=columns, fraction=site.kept, total_rows=site.total_rows
    )
    weight = _weight(site, context, found, age)
    if weight is None:
        return None
    return _candidate(site, subject, age, weight, "catalog" if site.relation is not None else "plan")


def _weight(site: Site, context: Context, found: list[Restriction], age: Age) -> float | None:
    plain = [r for r in found if r.column is not None]
    if not plain or age.state == "fresh" or any(r.clause.parameters or r.clause.subplans for r in found):
        return None
    if site.relation is None and _takes_defaults(site):
        return WEAK  # never analyzed: then the planner's total is a guess from the row width and proves nothing
    if len(plain) < len(found) and age.state != "old":
        return None  # the clause that is no plain column is the likelier one to be off
    bound = likeliest_bound(site, context, found)
    # More rows than one clause alone was expected to keep: no correlation explains that, only old statistics do.
    beyond = bound is not None and site.direction == "under" and exceeds(site, context, bound)
    single = len(found) == 1
    if age.state == "old":
        return PROVEN if beyond or single else STRONG * 1.5 if bound is None else POSSIBLE
    if age.state == "modified":
        return STRONG if beyond or single else LIKELY if bound is None else WEAK
    if beyond and site.relation is not None:
        return LIKELY
    if single and site.direction == "under":
        surely = site.kept is not None and site.kept > _SURELY_SAMPLED
        if plain[0].kind in ("equality", "null_test", "flag"):
            return LIKELY * 1.5 if surely else POSSIBLE
        if plain[0].kind == "range":
            return LIKELY
    return WEAK


def _takes_defaults(site: Site) -> bool:
    share = default_selectivity(site.own)
    planned = site.planned_rows
    if share is None or planned is None:
        return False
    if planned * share <= 1.5 and not (site.table is not None and is_temporary(site.table)):
        return False  # one row, to which everything small is clamped
    return betrays(site.estimate / site.executions, planned, share, exactly=True)


def _analyzed(relation: Relation) -> bool:
    return any(c.statistics for c in relation.columns)


def _candidate(site: Site, subject: Subject, age: Age, weight: float, basis: str) -> Candidate:
    total = site.total
    evidence = [fact(age.fact, age.value, age.source)]
    if total is not None:
        evidence.append(fact("rows that the scan really read", total.low, "plan"))
    if site.kept is not None:
        evidence.append(fact("share of the table's rows that came", site.kept, "plan"))
    if subject.relation is not None and (subject.relation.last_analyze or subject.relation.last_autoanalyze):
        times = [t for t in (subject.relation.last_analyze, subject.relation.last_autoanalyze) if t is not None]
        evidence.append(fact("last ANALYZE", max(times).isoformat(sep=" ", timespec="seconds"), "catalog"))
    if age.source == "plan" and age.state == "old":
        story = f"the planner took it to hold {rows(float(age.value or 0))}, the scan read {_read(site)}"
    elif age.state in ("old", "modified"):
        story = f"{age.fact}: {count(float(age.value or 0))}"
    else:
        story = "the planner missed values that a fresh sample would hold"
    return Candidate(
        code="stale_statistics",
        weight=weight,
        basis="catalog" if basis == "catalog" else "plan",
        summary=f"The statistics of {subject.table} look old: {story}. {rows_sentence(site)}",
        evidence=tuple(evidence),
        subject=subject,
    )


def _read(site: Site) -> str:
    return count(site.total.low) if site.total is not None else "other numbers"
