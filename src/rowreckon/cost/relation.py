"""How large the planner takes a relation to be when it plans.

Source: estimate_rel_size in optimizer/util/plancat.c and table_block_relation_estimate_size in
access/table/tableam.c, releases 13 to 18. Not modelled: foreign tables, whose wrapper answers, and partition
parents, which are the sum of their partitions.
"""

from __future__ import annotations

from rowreckon.cost.capabilities import marks_never_analyzed, scales_density_by_fillfactor
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.units import BLCKSZ, rint
from rowreckon.frozen import frozen

_PAGE_HEADER = 24
_TUPLE_OVERHEAD = 28


@frozen
class RelationSize:
    """A plain table as the planner sees it: heap pages, tuples, and the fraction of pages that are all-visible.

    The page costs are those of the table's tablespace where it sets its own, else None.
    """

    pages: float
    tuples: float
    allvisfrac: float = 0.0
    seq_page_cost: float | None = None
    random_page_cost: float | None = None

    def page_costs(self, settings: CostSettings) -> tuple[float, float]:
        """Planner cost of a sequential and of a random page of this table."""
        seq, random = self.seq_page_cost, self.random_page_cost
        return (
            settings.seq_page_cost if seq is None else seq,
            settings.random_page_cost if random is None else random,
        )


def tuple_density(settings: CostSettings, width: int, fillfactor: int = 100) -> float:
    """Tuples per page guessed for a table without counts, from its row width (bytes)."""
    usable = BLCKSZ - _PAGE_HEADER
    if scales_density_by_fillfactor(settings.server_major):
        usable = usable * fillfactor // 100
        return float(max(1, usable // (width + _TUPLE_OVERHEAD)))
    return float(usable // (width + _TUPLE_OVERHEAD))


def estimate_rel_size(
    settings: CostSettings,
    *,
    current_pages: float,
    relpages: float,
    reltuples: float,
    relallvisible: float,
    width: int,
    fillfactor: int = 100,
    has_subclass: bool = False,
    seq_page_cost: float | None = None,
    random_page_cost: float | None = None,
) -> RelationSize:
    """Pages and tuples of a plain table: the live file size times the last known density.

    `current_pages` is the main fork's size now; `relpages`, `reltuples` and `relallvisible` are pg_class's. `width`
    (bytes, all columns) matters only where no density is known.
    """
    if marks_never_analyzed(settings.server_major):
        never = reltuples < 0.0
        known = reltuples >= 0.0 and relpages > 0.0
    else:
        never = relpages == 0.0
        known = relpages > 0.0
    pages = current_pages
    if pages < 10.0 and never and not has_subclass:
        pages = 10.0
    if pages == 0.0:
        return RelationSize(0.0, 0.0, 0.0, seq_page_cost, random_page_cost)
    density = reltuples / relpages if known else tuple_density(settings, width, fillfactor)
    if relallvisible <= 0.0:
        visible = 0.0
    elif relallvisible >= pages:
        visible = 1.0
    else:
        visible = relallvisible / pages
    return RelationSize(pages, rint(density * pages), visible, seq_page_cost, random_page_cost)


def partial_index_tuples(*, current_pages: float, relpages: float, reltuples: float, relation_tuples: float) -> float:
    """Tuples of a partial index: its own density over all pages but the metapage, at most the table's tuples.

    An index without a predicate is simply given the table's tuples.
    """
    if relpages <= 1.0 or current_pages <= 1.0:
        return min(max(reltuples, 0.0), relation_tuples)
    density = reltuples / (relpages - 1.0)
    return min(rint(density * (current_pages - 1.0)), relation_tuples)
