"""Scans of a relation that several processes share, and what a Gather over one hands up.

Source: create_plain_partial_paths and create_partial_bitmap_paths in optimizer/path/allpaths.c, build_index_paths in
optimizer/path/indxpath.c, cost_seqscan, cost_index and cost_bitmap_heap_scan in optimizer/path/costsize.c,
add_partial_path in optimizer/util/pathnode.c, releases 13 to 18. Pages are read once, whoever reads them; what is done
with their tuples is shared.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil

from rowreckon.cost import (
    STD_FUZZ_FACTOR,
    BitmapCost,
    CostSettings,
    IndexCondition,
    PathCost,
    QualCost,
    compute_bitmap_pages,
    compute_parallel_worker,
    cost_gather,
    cost_gather_merge,
    cost_index,
    cost_seqscan,
    cost_sort,
    gather_merge_rows,
    index_pages_fetched,
    parallel_divisor,
    partial_rows,
    path_input,
)
from rowreckon.cost.index_scan import heap_pages_for_workers
from rowreckon.cost.units import clamp_row_est
from rowreckon.joins.facts.brin_ranges import in_ranges
from rowreckon.joins.facts.inputs import SidePath
from rowreckon.joins.facts.known_index import meaning
from rowreckon.joins.facts.known_relation import KnownIndex, KnownRelation
from rowreckon.joins.ways.index_match import own_match, shares_together
from rowreckon.joins.ways.side_paths import ACCESS, covers
from rowreckon.plan.conditions import parse_condition


def partial_scans(
    settings: CostSettings, relation: KnownRelation, rows: float, total_table_pages: float
) -> Iterator[SidePath]:
    """The scans of a relation that processes share, each with the workers that it would be given; none where it is
    too small."""
    workers = _workers(settings, relation, relation.size.pages, None)
    if workers > 0 and settings.enable_seqscan:
        quals = QualCost(0.0, settings.cpu_operator_cost * relation.restriction_calls)
        path = cost_seqscan(settings, relation.size, rows, relation.width, qual=quals, workers=workers)
        yield SidePath(path, (), "seq_scan", workers=workers)
    yield from _conditional(settings, relation, rows, total_table_pages)
    yield from _whole_indexes(settings, relation, rows, total_table_pages)


def gathered_scans(settings: CostSettings, rows: float, partial: list[SidePath]) -> Iterator[SidePath]:
    """The Gather over the cheapest of a relation's partial scans, which come cheapest first."""
    if partial:
        path = cost_gather(settings, partial[0].path, rows)
        access = f"parallel {partial[0].access}"
        yield SidePath(path, (), access, per_row=settings.parallel_tuple_cost, safe=False)


def gathered_in_order(
    settings: CostSettings, rows: float, partial: list[SidePath], order: tuple[str, ...]
) -> Iterator[SidePath]:
    """The Gather Merge over the cheapest of a relation's partial scans, which each process sorts as the query wants its
    rows; they come cheapest first. Source: generate_useful_gather_paths in optimizer/path/allpaths.c."""
    if not partial or not order:
        return
    least = partial[0]

    def at(rows: float) -> PathCost:
        part = least.path._replace(rows=partial_rows(settings, rows, least.workers))
        merged = gather_merge_rows(settings, part.rows, least.workers)
        path = cost_gather_merge(settings, cost_sort(settings, part), merged, least.workers)
        return path._replace(rows=rows)

    yield SidePath(at(rows), order, f"merged {least.access}", safe=False, at=at)


def weighed(paths: list[SidePath]) -> list[SidePath]:
    """The paths with the first one weighed against its rival at any number of rows: a Gather against a scan by one
    process, or the other way round."""
    if not paths or paths[0].order or len({p.safe for p in paths}) < 2:
        return paths
    first = paths[0]
    rival = next((p for p in paths[1:] if p.safe != first.safe and not p.order), None)
    if rival is None:
        return paths
    return [first._replace(other=rival), *paths[1:]]


def partial_first(paths: list[SidePath], useful: frozenset[str] = frozenset()) -> list[SidePath]:
    """The partial paths, cheapest first: of them total cost alone counts, but one in an order that begins with a
    `useful` expression takes the place of one without that is cheaper by less than 1%."""
    ordered = sorted((p for p in paths if p.order[:1] and p.order[0] in useful), key=lambda p: p.path.total_cost)
    plain = sorted((p for p in paths if p not in ordered), key=lambda p: p.path.total_cost)
    if ordered and plain and ordered[0].path.total_cost <= plain[0].path.total_cost * STD_FUZZ_FACTOR:
        return [*ordered, *plain]
    return sorted([*plain, *ordered], key=lambda p: p.path.total_cost)


def _workers(
    settings: CostSettings, relation: KnownRelation, heap_pages: float | None, index_pages: float | None
) -> int:
    given = relation.relation.parallel_workers
    return compute_parallel_worker(
        settings, heap_pages, index_pages, parallel_workers=given, appended=relation.appended
    )


def _conditional(
    settings: CostSettings, relation: KnownRelation, rows: float, total_table_pages: float
) -> Iterator[SidePath]:
    """Index and bitmap scans under the relation's own conditions: the server priced them for one process."""
    assert relation.estimate is not None
    told: set[tuple[str, str | None]] = set()
    for scan in relation.estimate.paths:
        if scan.node_type not in ("Index Scan", "Index Only Scan", "Bitmap Heap Scan"):
            continue
        if (scan.node_type, scan.index) in told:
            continue
        told.add((scan.node_type, scan.index))
        index = next((i for i in relation.indexes if i.name == scan.index), None)
        path = path_input(settings, scan.node_type, scan.startup_cost, scan.total_cost, rows, relation.width)
        if scan.node_type == "Bitmap Heap Scan":
            searched = _searched(relation, scan.index_cond)
            searched = in_ranges(relation, scan.index, scan.index_cond, searched)
            shared = _bitmap(settings, relation, index, path, rows, total_table_pages, searched)
        elif index is not None and (scan.node_type == "Index Scan" or covers(relation, index)):
            shared = _by_index(settings, relation, index, path, rows, total_table_pages)
        else:
            shared = None
        if shared is not None:
            workers, cost = shared
            order: tuple[str, ...] = ()
            if index is not None and scan.node_type != "Bitmap Heap Scan":
                order = index.order(relation.alias)
            yield SidePath(cost, order, ACCESS[scan.node_type], workers=workers)


def _searched(relation: KnownRelation, condition: str | None) -> float:
    """The share of a relation's tuples that an index of any kind finds by a condition."""
    told = {meaning(clause) for clause in parse_condition(condition or "").clauses}
    found = [r for r in relation.restrictions if meaning(r.clause) in told]
    if not found or len(found) != len(told) or len(found) == len(relation.restrictions):
        return relation.selectivity
    return shares_together(found) or relation.selectivity


def _bitmap(
    settings: CostSettings,
    relation: KnownRelation,
    index: KnownIndex | None,
    path: PathCost,
    rows: float,
    total_table_pages: float,
    searched: float,
) -> tuple[int, PathCost] | None:
    if not settings.enable_bitmapscan:
        return None
    match = own_match(settings, relation, index) if index is not None else None
    share = match.selectivity if match is not None else searched
    bitmap = BitmapCost(0.0, share, index.shape.pages if index is not None else 0.0)
    pages, fetched = compute_bitmap_pages(settings, relation.size, bitmap, total_table_pages)
    workers = _workers(settings, relation, pages, None)
    if workers < 1:
        return None
    return workers, _divided(settings, path, rows, workers, relation.restriction_calls * fetched, fetched)


def _by_index(
    settings: CostSettings,
    relation: KnownRelation,
    index: KnownIndex,
    path: PathCost,
    rows: float,
    total_table_pages: float,
) -> tuple[int, PathCost] | None:
    match = own_match(settings, relation, index)
    if match is None or not settings.enable_indexscan or not index.ordered:
        return None  # of the access methods known here only B-tree scans can be shared
    fetched = clamp_row_est(match.selectivity * relation.size.tuples)
    searched = clamp_row_est(match.boundary * relation.size.tuples)
    index_pages = float(ceil(searched * index.shape.pages / max(index.shape.tuples, 1.0)))
    heap: float | None = None
    if path.kind != "Index Only Scan":
        heap = index_pages_fetched(settings, fetched, relation.size.pages, index.shape.pages, total_table_pages)
    workers = _workers(settings, relation, heap, index_pages)
    if workers < 1:
        return None
    left = max(relation.restriction_calls - match.quals - index.implied, 0.0)
    return workers, _divided(settings, path, rows, workers, left * fetched, fetched)


def _divided(
    settings: CostSettings, path: PathCost, rows: float, workers: int, calls: float, tuples: float
) -> PathCost:
    """A scan's cost once what it does with its tuples is shared: so many, with so many operator calls."""
    shared = settings.cpu_tuple_cost * tuples + settings.cpu_operator_cost * calls
    total = path.total_cost - shared * (1.0 - 1.0 / parallel_divisor(settings, workers))
    return path._replace(
        total_cost=max(total, path.startup_cost),
        rescan_total_cost=max(total, path.startup_cost),
        rows=partial_rows(settings, rows, workers),
    )


def _whole_indexes(
    settings: CostSettings, relation: KnownRelation, rows: float, total_table_pages: float
) -> Iterator[SidePath]:
    """Whole indexes in their order."""
    for index in relation.indexes if settings.enable_indexscan else ():
        if not index.ordered or own_match(settings, relation, index) is not None:
            continue
        only = covers(relation, index)
        whole = IndexCondition(index.share, index.share, 0)
        quals = QualCost(0.0, settings.cpu_operator_cost * max(relation.restriction_calls - index.implied, 0.0))
        heap = None
        if not only:
            heap = heap_pages_for_workers(settings, relation.size, index.shape, whole, total_table_pages)
        workers = _workers(settings, relation, heap, index.shape.pages)
        if workers < 1:
            continue
        path = cost_index(
            settings,
            relation.size,
            index.shape,
            whole,
            rows,
            relation.width,
            total_table_pages=total_table_pages,
            index_only=only,
            qual=quals,
            workers=workers,
        )
        order = index.order(relation.alias)
        yield SidePath(path, order, "index_only_scan" if only else "index_scan", workers=workers)
