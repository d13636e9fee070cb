"""# stale_statistics

## What it finds
Statistics that describe the table as it was: rows were loaded, deleted or rewritten since the last ANALYZE.

## Why it hurts
The planner scales the row count with the file's size, but takes value frequencies and value ranges from the last
ANALYZE. New values (today's dates, a new status) look absent, and an absent value is expected to bring one row.

## Evidence it needs
The scan's row total (rows kept plus rows removed by the filter), against the planner's total or the rows counted at the
last ANALYZE. Or modified rows that the server counted. Or a single frequent value that the planner missed.

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

from rowreckon.capture import Capture
from rowreckon.causes.defaults import betrays, default_selectivity
from rowreckon.causes.finding import LIKELY, POSSIBLE, PROVEN, STRONG, WEAK, Candidate, fact
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
    rows_added,
)
from rowreckon.causes.scans import name_of
from rowreckon.causes.wording import count, rows, rows_sentence
from rowreckon.document.audit import Missing
from rowreckon.remedies.draft import SHARE_UPDATE_EXCLUSIVE, Draft
from rowreckon.remedies.quoting import quote_table
from rowreckon.remedies.refresh import refreshed
from rowreckon.remedies.subject import Subject, is_temporary

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation
    from rowreckon.causes.site import Context, Site

TITLE = "old statistics"

_SCALE_FACTOR = 0.1  # autovacuum_analyze_scale_factor's default
_LOWER_FACTOR = 0.02
_THRESHOLD = 50  # autovacuum_analyze_threshold's default

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
    since = rows_added(site) if age.state in ("fresh", "unknown") else None
    if since is not None:
        age = Age("added", "rows modified since the last ANALYZE", since, "catalog")
    subject = Subject(
        table=site.table, relation=site.relation, columns=columns, fraction=site.kept, total_rows=site.total_rows
    )
    weight = _weight(site, context, found, age)
    if weight is None:
        return None
    return _candidate(site, subject, age, weight, "catalog" if site.relation is not None else "plan")


def _weight(site: Site, context: Context, found: list[Restriction], age: Age) -> float | None:
    plain = [r for r in found if r.column is not None]
    if site.kind == "scan" and not site.own and age.state in ("old", "modified"):
        return PROVEN if site.relation is not None else LIKELY  # nothing is filtered: the whole table was misjudged
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
    surely = site.kept is not None and site.kept > _SURELY_SAMPLED
    if age.state == "added":
        return STRONG if single and surely else LIKELY if beyond or single else WEAK
    if age.state == "modified":
        return STRONG if beyond or single else LIKELY if bound is None else WEAK
    if beyond and site.relation is not None:
        return LIKELY
    if single and site.direction == "under":
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
        evidence.append(fact("rows that the scan read", total.told(), "plan"))
    if site.kept is not None:
        evidence.append(fact("share of the table's rows that came", site.kept, "plan"))
    if subject.relation is not None and (subject.relation.last_analyze or subject.relation.last_autoanalyze):
        times = [t for t in (subject.relation.last_analyze, subject.relation.last_autoanalyze) if t is not None]
        evidence.append(fact("last ANALYZE", max(times).isoformat(sep=" ", timespec="seconds"), "catalog"))
    if age.source == "plan" and age.state == "old":
        story = f"the planner took the table to hold {rows(float(age.value or 0))}, the scan read {_read(site)}"
    elif age.state in ("old", "modified", "added"):
        were = "was" if age.value == 1 else "were"
        story = f"{rows(float(age.value or 0))} {were} {'there at' if age.state == 'old' else 'modified since'}"
        story += " the last ANALYZE"
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
    return count(site.total.told()) if site.total is not None else "another number"


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """ANALYZE, and a lower threshold where the server's own would not have come in time."""
    why = "Its statistics describe the table as it was before the rows that the query reads."
    fresh = refreshed(subject, capture, why)
    threshold = _lower_threshold(subject) if fresh else None
    return fresh if threshold is None else (*fresh, threshold)


def _lower_threshold(subject: Subject) -> Draft | None:
    """A lower analyze threshold, where the modifications that misled the planner were too few for the server's own."""
    relation, table = subject.relation, subject.table
    if relation is None or table is None:
        return None
    if relation.kind not in ("table", "materialized_view") or relation.persistence == "temporary":
        return None
    modified, rows = relation.n_mod_since_analyze, relation.reltuples
    if modified is None or rows is None or rows < 10_000 or modified >= _THRESHOLD + _SCALE_FACTOR * rows:
        return None
    name = quote_table(table)
    return Draft(
        kind="other",
        title="Have autovacuum analyze the table sooner",
        sql=(f"ALTER TABLE {name} SET (autovacuum_analyze_scale_factor = {_LOWER_FACTOR})",),
        undo=(f"ALTER TABLE {name} RESET (autovacuum_analyze_scale_factor)",),
        undo_note="RESET returns to the server's own value; a value set for the table before is not known here",
        reason=f"The {modified:,} modified rows of {table} were too few for autovacuum to analyze it, so it will be "
        "stale again.",
        works=0.2,
        lock=SHARE_UPDATE_EXCLUSIVE,
        tables=(table,),
        cautions=("autovacuum will work on this table more often; it mends nothing before its next run",),
    )


def missing(subject: Subject) -> Missing | None:
    """The table's counters of modifications, where the server keeps none."""
    relation = subject.relation
    if relation is None or relation.n_mod_since_analyze is not None:
        return None
    return Missing(
        what=f"how much of {relation.qualified_name} was modified since its last ANALYZE",
        why="the server keeps no counters of it (a fresh copy, a standby, or a reset)",
        how="run the same reading on the server where the query is slow",
    )
