"""# correlated_columns_equality

## What it finds
Equality restrictions on several columns of one table that go together: city and postal code, carrier and destination.

## Why it hurts
The planner multiplies the shares as if the columns knew nothing of each other. Where one column decides the other, the
product is too small by the whole share of the second.

## Evidence it needs
At least two plain columns under equality on one relation, and more rows than expected. The scan's row total agrees with
the planner's (else the statistics are old). From the catalog: each clause alone keeps more than came.

## Remedy
CREATE STATISTICS (dependencies, mcv) on these columns and ANALYZE, with a target high enough for the combination.

## When it is wrong
If more rows came than one clause alone was expected to keep, the single-column statistics are at fault, not the
product. Columns of two tables are never helped by a statistics object.

## References
PostgreSQL documentation, "Multivariate Statistics Examples" (1 row expected, 100 came) and CREATE STATISTICS.
"""

from __future__ import annotations

from rowreckon.capture import Capture
from rowreckon.causes.correlation import correlated
from rowreckon.causes.finding import Candidate
from rowreckon.causes.restrictions import columns_of, restrictions, telling
from rowreckon.causes.site import Context, Site
from rowreckon.remedies.draft import Draft
from rowreckon.remedies.statistics import together
from rowreckon.remedies.subject import Subject

TITLE = "columns that go together"


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where two or more columns stand under equality and nothing else."""
    found = telling(site, context, restrictions(site))
    columns = columns_of(found, "equality", "null_test", "flag")
    ranges = columns_of(found, "range")
    if len(columns) < 2 or set(ranges) - set(columns):
        return None
    return correlated("correlated_columns_equality", site, context, found, columns)


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """A statistics object that knows which column decides which, and the common combinations."""
    return together(subject, capture, ("dependencies", "mcv"))
