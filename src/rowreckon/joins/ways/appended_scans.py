"""Inputs of an Append: scanned one after the other, shared among processes, or searched for a value of each outer row.

Source: set_append_rel_pathlist, add_paths_to_append_rel and get_cheapest_parameterized_child_path in
optimizer/path/allpaths.c, reparameterize_path in optimizer/util/pathnode.c, releases 13 to 18. Not modelled: an Append
in the order of the partitions' bounds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from rowreckon.cost import (
    CostSettings,
    PathCost,
    QualCost,
    append_row_cost,
    cost_append,
    cost_gather,
    cost_merge_append,
    cost_parallel_append,
    cost_seqscan,
)
from rowreckon.cost.capabilities import charges_every_subquery_scan, divides_shared_subqueries
from rowreckon.cost.units import clamp_row_est
from rowreckon.joins.facts.inputs import ClauseInput, JoinInput, Point, SidePath
from rowreckon.joins.facts.known_relation import Appended, KnownRelation
from rowreckon.joins.facts.partitioned import PartitionedTable
from rowreckon.joins.ways.index_match import own_key, parameter_selectivity
from rowreckon.joins.ways.inner_scans import Parameterised, index_costs, is_memoizable, kept_at, scan_ratio
from rowreckon.joins.ways.partial_scans import partial_first, partial_scans
from rowreckon.joins.ways.side_paths import catalog_paths, taken_first

CostAt = Callable[[Point], PathCost]


def whole_append(
    settings: CostSettings,
    members: Appended,
    width: int,
    total_table_pages: float,
    *,
    union: bool = False,
    gathers: bool = False,
) -> Iterator[SidePath]:
    """The relations scanned one after the other, each in its cheapest way; none where one of them can't be priced.

    `union` says that they are the arms of a UNION ALL, `gathers` that an arm's cheapest way may be a Gather of its own.
    """
    whole = [_cheapest(settings, member, total_table_pages) for member in members]
    known = [path for path in whole if path is not None]
    if not known or len(known) < len(whole):
        return
    safe = True
    for place, member in enumerate(members) if union and gathers else ():
        partial = _cheapest_shared(settings, member, total_table_pages)
        path = cost_gather(settings, partial.path, known[place].rows) if partial is not None else None
        if path is not None and _has_conditions(member) and path.total_cost < known[place].total_cost:
            known[place], safe = path, False
    if union:
        known = [_arm(settings, member, path) for member, path in zip(members, known, strict=True)]
    yield SidePath(cost_append(settings, known, width), (), "append", per_row=append_row_cost(settings), safe=safe)


def partial_appends(
    settings: CostSettings, members: Appended, width: int, total_table_pages: float, *, union: bool = False
) -> Iterator[SidePath]:
    """The relations scanned by processes that share the work: every scan shared, or the cheap ones each by one process.

    More workers than any scan asks for are at hand where processes may spread over the scans (Parallel Append).
    `union` says that the relations are the arms of a UNION ALL; up to 14 the planner gives one process the rows of all
    where an arm is a query of its own, which is not priced here.
    """
    if union and not divides_shared_subqueries(settings.server_major) and any(map(_has_conditions, members)):
        return
    whole: list[PathCost | None] = []
    shared: list[tuple[PathCost, int] | None] = []
    for member in members:
        one = _cheapest(settings, member, total_table_pages)
        many = _cheapest_shared(settings, member, total_table_pages)
        part = None if many is None else many.path
        if union:
            one = None if one is None else _arm(settings, member, one)
            part = None if part is None else _arm(settings, member, part)
        whole.append(one)
        shared.append(None if part is None or many is None else (part, many.workers))
    rows: float | None = None
    everywhere = [path for path in shared if path is not None]
    if everywhere and len(everywhere) == len(shared):
        workers = _append_workers(settings, [own for _, own in everywhere], len(members))
        if settings.enable_parallel_append:
            cost = cost_parallel_append(settings, [], everywhere, workers, width)
        else:
            cost = cost_append(settings, [path for path, _ in everywhere], width)
        rows = cost.rows
        yield SidePath(cost, (), "append", per_row=append_row_cost(settings), workers=workers)
    alone: list[PathCost] = []
    divided: list[tuple[PathCost, int]] = []
    for one, divided_path in zip(whole, shared, strict=True):
        if divided_path is not None and (one is None or divided_path[0].total_cost < one.total_cost):
            divided.append(divided_path)
        elif one is not None:
            alone.append(one)
    if not settings.enable_parallel_append or not alone or len(alone) + len(divided) < len(members):
        return
    workers = _append_workers(settings, [own for _, own in divided], len(members))
    if workers > 0:
        cost = cost_parallel_append(settings, alone, divided, workers, width)
        cost = cost if rows is None else cost.with_rows(rows)
        yield SidePath(cost, (), "append", per_row=append_row_cost(settings), workers=workers)


def _has_conditions(member: KnownRelation | Appended) -> bool:
    """Whether an arm of a UNION ALL has conditions: it stays a query of its own, and is not pulled up into the Append.

    Source: is_safe_append_member in optimizer/prep/prepjointree.c.
    """
    return any(map(_has_conditions, member)) if isinstance(member, tuple) else bool(member.restrictions)


def _arm(settings: CostSettings, member: KnownRelation | Appended, path: PathCost) -> PathCost:
    """An arm's path as the Append takes it: up to 15 handing on the rows of a query costs (cost_subqueryscan)."""
    if not _has_conditions(member) or not charges_every_subquery_scan(settings.server_major):
        return path
    return path._replace(total_cost=path.total_cost + settings.cpu_tuple_cost * path.rows)


def _append_workers(settings: CostSettings, own: Sequence[int], members: int) -> int:
    """Workers of an Append: as many as an input asks for, or one for each doubling of their number."""
    most = max(own, default=0)
    if not settings.enable_parallel_append:
        return most
    return min(max(most, members.bit_length()), settings.max_parallel_workers_per_gather)


def _cheapest(settings: CostSettings, member: KnownRelation | Appended, total_table_pages: float) -> PathCost | None:
    """An input read by one process; None where it can't be priced."""
    if isinstance(member, tuple):
        found = list(whole_append(settings, member, 0, total_table_pages))
    else:
        found = list(catalog_paths(settings, member, member.rows, total_table_pages))
    return taken_first(found)[0].path if found else None


def _cheapest_shared(
    settings: CostSettings, member: KnownRelation | Appended, total_table_pages: float
) -> SidePath | None:
    """An input read by processes that share it; None where they can't."""
    if isinstance(member, tuple):
        found = list(partial_appends(settings, member, 0, total_table_pages))
    else:
        found = list(partial_scans(settings, member, member.rows, total_table_pages))
    return partial_first(found)[0] if found else None


def merged_appends(
    settings: CostSettings, table: PartitionedTable, width: int, total_table_pages: float
) -> Iterator[SidePath]:
    """The partitions scanned all in the order of an index: one after the other if their bounds follow it, else merged.

    Source: generate_orderedappend_paths in optimizer/path/allpaths.c, releases 13 to 18.
    """
    paths = [list(catalog_paths(settings, m, m.rows, total_table_pages)) for m in table.members]
    if not all(paths):
        return
    ordered = [_by_order(found) for found in paths]
    for order in ordered[0]:
        if all(order in found for found in ordered):
            named = tuple(f"{table.alias}.{column}" for column in order)
            inputs = [found[order] for found in ordered]
            if table.follows_bounds(order):
                path = cost_append(settings, inputs, width, ordered=True)
                yield SidePath(path, named, "append", per_row=append_row_cost(settings))
                continue
            path = cost_merge_append(settings, inputs, width)
            yield SidePath(path, named, "merge append", per_row=append_row_cost(settings, len(paths)))


def _by_order(paths: list[SidePath]) -> dict[tuple[str, ...], PathCost]:
    """The cheapest path of each order, the columns without their alias."""
    found: dict[tuple[str, ...], PathCost] = {}
    for path in paths:
        order = tuple(column.rsplit(".", 1)[-1] for column in path.order)
        if order and (order not in found or path.path.total_cost < found[order].total_cost):
            found[order] = path.path
    return found


def appended_paths(settings: CostSettings, join: JoinInput) -> Iterator[Parameterised]:
    """The partitions searched for each outer row, where an index of one of them at least takes up a join clause."""
    ways: list[list[CostAt]] = []
    names: list[str] = []
    for member in join.inner.members:
        clauses = tuple(replace(c, inner=own_key(member, c.inner)) for c in join.clauses)
        indexed = list(index_costs(settings, join, member, clauses))
        names += [name for name, _ in indexed]
        ways.append([*(cost for _, cost in indexed), _filtered(settings, join, member, clauses)])
    if not names:
        return

    def cost(point: Point) -> PathCost:
        cheapest = [min((way(point) for way in member), key=lambda path: path.total_cost) for member in ways]
        return cost_append(settings, cheapest, join.inner.width)

    yield Parameterised("append", names[0], cost, join.clauses, False, is_memoizable(settings, join))


def _filtered(
    settings: CostSettings, join: JoinInput, member: KnownRelation, clauses: tuple[ClauseInput, ...]
) -> CostAt:
    """The partition read in full for each outer row, its rows compared there."""
    per_scan = member.selectivity
    for clause in clauses:
        per_scan *= parameter_selectivity(member, clause)
    calls = member.restriction_calls + sum(c.calls for c in clauses)
    qual = QualCost(0.0, settings.cpu_operator_cost * calls)

    ratio_of = scan_ratio(member, clauses)

    def cost(point: Point) -> PathCost:
        rows = clamp_row_est(min(per_scan * ratio_of(point) * kept_at(join, point), 1.0) * member.size.tuples)
        return cost_seqscan(settings, member.size, rows, join.inner.width, qual=qual)

    return cost
