"""Pages fetched by an index scan: the Mackert-Lohman approximation.

Source: index_pages_fetched in optimizer/path/costsize.c, the same in 13 to 18; L. Mackert, G. Lohman, 'Index Scans
Using a Finite LRU Buffer: A Validated I/O Model', ACM TODS 14(3), 1989.
"""

from __future__ import annotations

from math import ceil

from rowreckon.cost.settings import CostSettings


def index_pages_fetched(
    settings: CostSettings,
    tuples_fetched: float,
    pages: float,
    index_pages: float,
    total_table_pages: float,
) -> float:
    """Distinct page reads (pages) that fetching `tuples_fetched` tuples of a relation of `pages` takes.

    `total_table_pages` are the pages of all plain tables of the query level, which share effective_cache_size with
    this scan's `index_pages`. Below the cache's share the count never passes `pages`; above, pages are read again.
    """
    t = pages if pages > 1.0 else 1.0
    total = total_table_pages + index_pages
    if total < 1.0:
        total = 1.0
    b = settings.effective_cache_size * t / total
    b = 1.0 if b <= 1.0 else float(ceil(b))
    if t <= b:
        fetched = (2.0 * t * tuples_fetched) / (2.0 * t + tuples_fetched)
        return t if fetched >= t else float(ceil(fetched))
    limit = (2.0 * t * b) / (2.0 * t - b)
    if tuples_fetched <= limit:
        fetched = (2.0 * t * tuples_fetched) / (2.0 * t + tuples_fetched)
    else:
        fetched = b + (tuples_fetched - limit) * (t - b) / t
    return float(ceil(fetched))
