"""# correlated_columns_range

## What it finds
Range restrictions on columns of one table that move together: an order's date and its shipping date. Or a range beside
an equality that already implies it.

## Why it hurts
The planner multiplies the shares of the ranges. Columns that rise together keep far more rows than the product says,
columns that exclude each other far fewer.

## Evidence it needs
At least two plain columns, at least one of them under <, <=, >, >=, and totals that agree. From the catalog: the number
of distinct values, which decides whether a list of common combinations can cover the ranges.

## Remedy
CREATE STATISTICS (mcv) where the columns have few distinct combinations. Functional dependencies never help ranges.
With many combinations nothing that PostgreSQL keeps describes them: rewrite the condition as one on the difference.

## When it is wrong
Two bounds on one column are one range, which the planner handles. A range past the histogram's end speaks of old
statistics.

## References
PostgreSQL documentation, "Multivariate Statistics Examples" (MCV lists). Measured on TPC-H data: ship date and receipt
date, 121,578 expected, 3,803 came, mended by no statistics object at the default target.
"""

from __future__ import annotations

from math import ceil

from rowreckon.capture import Capture
from rowreckon.causes.correlation import correlated
from rowreckon.causes.finding import Candidate
from rowreckon.causes.restrictions import columns_of, restrictions, telling
from rowreckon.causes.site import Context, Site
from rowreckon.remedies.draft import SAMPLED, Draft
from rowreckon.remedies.statistics import together
from rowreckon.remedies.subject import Subject

TITLE = "ranges that go together"

_LIST_FOR_RANGES = 1000
"""Target of a list for ranges: they cover many combinations, and each has to be in it; common practice, no source."""


_UNCOUNTED = 1 / 4
"""Without the catalog nothing tells whether the combinations are few: evidence against it as positive as `OPEN` is for
a cure."""


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where two or more columns are restricted, one of them by a range."""
    found = telling(site, context, restrictions(site))
    ranges = columns_of(found, "range")
    columns = columns_of(found, "range", "pattern", "equality", "null_test", "flag")
    if not ranges or len(columns) < 2:
        return None
    return correlated("correlated_columns_range", site, context, found, columns)


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """A statistics object with a long list of common combinations.

    A list describes ranges only where the combinations are few, which the catalog tells.
    """
    works = SAMPLED if subject.relation is not None else _UNCOUNTED
    at_least = max(_LIST_FOR_RANGES, ceil(subject.combinations or 0))
    return together(subject, capture, ("mcv",), at_least=at_least, works=works)
