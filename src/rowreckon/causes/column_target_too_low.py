"""# column_target_too_low

## What it finds
A skewed column whose list of common values (or histogram) is too short to hold the value that the query asks for.

## Why it hurts
A value outside the list is expected to be as frequent as the average of all the others. With many rare values that
average is far below the frequent ones that just missed the list. A histogram divides the other rows into parts of
equal number. Within a part the planner takes values to lie evenly, so that the end of a range may be off by one part.

## Evidence it needs
One restriction on one plain column. The share of rows that came is too small for a list of the present length (100 by
default) to be sure to hold it. From the catalog: a full list, or target 0, and statistics that are not old.
For a range: the catalog's histogram, no older, and an error of no more rows than one of its parts for each end.

## Remedy
ALTER TABLE … ALTER COLUMN … SET STATISTICS, high enough that the value must be in the list, and ANALYZE. For a range:
high enough that a part holds no more rows than came.

## When it is wrong
A value that makes up more than about 1% of the rows is in any fresh list of 100. Then the statistics are old.

## References
PostgreSQL documentation, "Row Estimation Examples" and ALTER TABLE; var_eq_const and ineq_histogram_selectivity in
selfuncs.c; analyze.c samples 300 rows for each step of the target.
"""

from __future__ import annotations

from rowreckon.capture import Capture
from rowreckon.causes.clause_kinds import values_listed
from rowreckon.causes.finding import LIKELY, POSSIBLE, STRONG, WEAK, Candidate, fact
from rowreckon.causes.restrictions import Restriction, age_of, restrictions
from rowreckon.causes.site import Context, Site
from rowreckon.causes.wording import rows_sentence, share
from rowreckon.document.audit import Evidence
from rowreckon.plural import counted
from rowreckon.remedies.draft import Draft
from rowreckon.remedies.statistics import longer_list
from rowreckon.remedies.subject import Subject

TITLE = "a list of common values too short"

DEFAULT_TARGET = 100


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate for a single restriction on a plain column whose value may have missed the list, and for a range."""
    if site.kind != "scan" or site.table is None:
        return None
    found = restrictions(site)
    if found and all(r.kind == "range" and r.column == found[0].column for r in found):
        return _coarse_histogram(site, found, found[0].column or "")
    if site.direction != "under":
        return None
    if len(found) != 1 or found[0].column is None or found[0].kind not in ("equality", "pattern"):
        return None
    if found[0].clause.parameters:
        return None
    column = found[0].column
    listed = values_listed(found[0].clause)
    kept = None if site.kept is None else site.kept / listed
    subject = Subject(
        table=site.table, relation=site.relation, columns=(column,), fraction=kept, total_rows=site.total_rows
    )
    evidence = [fact("share of the table's rows that came", site.kept, "plan")]
    if listed > 1:
        evidence.append(fact("values asked for", listed, "plan"))
    facts = site.column(column)
    if facts is None:
        # A list of 100 is sure to hold it: only a target lowered for this column would leave it out.
        weight = POSSIBLE if kept is None or 0.01 <= kept < 0.02 else LIKELY if kept < 0.01 else WEAK
        return _candidate(site, column, weight, "plan", evidence, subject)
    statistics = site.statistics(column)
    if statistics is None:
        if facts.statistics_target == 0:
            evidence.append(fact("statistics target of the column", 0, "catalog"))
            return _candidate(site, column, STRONG * 2, "catalog", evidence, subject)
        return None
    target = facts.statistics_target or _default_target(context)
    full = statistics.n_mcv >= target
    more_values = statistics.n_distinct < 0 or statistics.n_distinct > statistics.n_mcv
    evidence.append(fact("common values kept", statistics.n_mcv, "catalog"))
    evidence.append(fact("statistics target", target, "catalog"))
    if not more_values or age_of(site, site.relation).state == "old":
        return None
    if kept is not None and kept > 2 / target:
        return None  # a list of that length would surely hold it
    return _candidate(site, column, STRONG * 1.5 if full else LIKELY, "catalog", evidence, subject)


def _coarse_histogram(site: Site, ends: list[Restriction], column: str) -> Candidate | None:
    """A candidate where a range is off by no more than its histogram's parts are wide."""
    statistics, kept, total = site.statistics(column), site.kept, site.total_rows
    if statistics is None or statistics.n_histogram < 2 or kept is None or not total:
        return None
    if any(r.clause.parameters for r in ends) or age_of(site, site.relation).state in ("old", "modified"):
        return None
    bins = statistics.n_histogram - 1
    part = max(1.0 - statistics.null_frac - sum(statistics.most_common_freqs), 0.0) / bins
    expected = min(site.estimate / site.executions / total, 1.0)
    if abs(expected - kept) > len(ends) * part:
        return None  # some other error is in it
    # each end is off by a part at most: too many rows may be expected thrice over, too few not at all
    finer = kept / (2 * len(ends)) if site.direction == "under" else kept
    subject = Subject(
        table=site.table, relation=site.relation, columns=(column,), fraction=finer, total_rows=total, ranged=True
    )
    evidence = (
        fact("share of the table's rows that came", kept, "plan"),
        fact("parts of the histogram", bins, "catalog"),
        fact("share of the rows in each part", part, "catalog"),
    )
    return Candidate(
        code="column_target_too_low",
        weight=STRONG,
        basis="catalog",
        summary=f"The histogram of {site.table}.{column} has {counted(bins, 'part')}, "
        f"each of {share(part)} of the rows. "
        "Within a part, values are taken to lie evenly. " + rows_sentence(site),
        evidence=evidence,
        subject=subject,
        explains=site.factor,
    )


def _default_target(context: Context) -> int:
    value = context.catalog.setting("default_statistics_target") if context.catalog is not None else None
    return int(value) if isinstance(value, (int, float)) else DEFAULT_TARGET


def _candidate(
    site: Site,
    column: str,
    weight: float,
    basis: str,
    evidence: list[Evidence],
    subject: Subject,
) -> Candidate:
    several = any(entry.fact == "values asked for" for entry in evidence)
    asked = "all values asked for, which are" if several else "the value asked for, which is"
    part = f" in {share(site.kept)} of the rows" if site.kept is not None else ""
    asked = f"{asked}{part}" if part else asked.partition(",")[0]
    return Candidate(
        code="column_target_too_low",
        weight=weight,
        basis="catalog" if basis == "catalog" else "plan",
        summary=f"The list of common values of {site.table}.{column} does not hold {asked}. " + rows_sentence(site),
        evidence=tuple(evidence),
        subject=subject,
    )


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """A higher statistics target for the column, and ANALYZE."""
    return longer_list(subject, capture)
