"""Nested loops: the inner side read in full, kept, found by an index, or remembered per key."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rowreckon.cost import CostSettings, NestLoopTerms, PathCost, QualCost, cost_material, cost_memoize, cost_nestloop
from rowreckon.cost.capabilities import has_memoize, materializes_below_gather
from rowreckon.joins.above.add_path import replaces
from rowreckon.joins.facts.inputs import JoinInput, Point, SidePath
from rowreckon.joins.ways.appended_scans import appended_paths
from rowreckon.joins.ways.inner_scans import Parameterised, parameterised_paths
from rowreckon.joins.ways.match_factors import Matching, factors_of, matching_of
from rowreckon.joins.ways.parameter_values import distinct_parameters

CostAt = Callable[[Point], PathCost]
Sides = tuple[SidePath, SidePath | None]
Built = tuple[str, str | None, CostAt, bool, bool, tuple[str, ...], tuple[str, ...], Sides]
_LEAST_REMEMBERED = 2.0
"""Outer rows below which nothing is remembered (get_memoize_path in optimizer/path/joinpath.c)."""
_SELF_KEEPING = frozenset({"Materialize", "CTE Scan", "WorkTable Scan", "Function Scan", "Sort"})


def nested_loop_ways(settings: CostSettings, join: JoinInput) -> Iterator[Built]:
    """Nested loops in this order of the sides; none for join types that need unmatched inner rows."""
    if join.kind not in ("Inner", "Left", "Semi", "Anti") or not join.outer_paths:
        return
    inners = (*parameterised_paths(settings, join), *appended_paths(settings, join))
    useful = join.useful_order[:1]
    wanted = [path for path in join.outer_paths[1:] if useful and useful[0] in _handed_up(join, path)]
    for outer in (join.outer_paths[0], *wanted):
        for access, index, cost, existing, solved in _over(settings, join, outer, inners):
            read = join.inner.paths[0] if index is None and join.inner.paths else None
            yield access, index, cost, existing, solved, _handed_up(join, outer), outer.order[1:], (outer, read)


def _handed_up(join: JoinInput, outer: SidePath) -> tuple[str, ...]:
    """By what a nested loop over an outer path comes sorted first; what an inner join compares it with for equality is
    the same."""
    first = outer.order[:1]
    equal = (c.inner.text for c in join.clauses if c.operator == "=" and first == (c.outer.text,))
    return (*first, *equal) if join.kind == "Inner" else first


def _over(
    settings: CostSettings, join: JoinInput, outer: SidePath, inners: tuple[Parameterised, ...]
) -> Iterator[tuple[str, str | None, Callable[[Point], PathCost], bool, bool]]:
    plain = list(_unparameterised(settings, join, outer))
    yield from plain[:1]
    for inner in inners:
        yield inner.access, inner.index, _with_index(settings, join, outer, inner), inner.existing, inner.solved
        if inner.memoizable and has_memoize(settings.server_major) and settings.enable_memoize:
            cost = _with_memoize(settings, join, outer, inner)
            if join.executed_inner is None or not _taken_instead(settings, join, outer, inner, cost):
                yield f"memoize of {inner.access}", inner.index, cost, inner.existing, False
    yield from plain[1:]


def _taken_instead(
    settings: CostSettings, join: JoinInput, outer: SidePath, inner: Parameterised, cost: Callable[[Point], PathCost]
) -> bool:
    """Whether at the estimates the planner would have remembered rows, had it been able to: the plan shows that it read
    them anew. With as many keys as the join's estimate allows remembering costs what it costs at most."""
    estimate = Point(join.outer.rows, join.inner.rows)
    return replaces(cost(estimate), _with_index(settings, join, outer, inner)(estimate))


def _unparameterised(
    settings: CostSettings, join: JoinInput, outer: SidePath
) -> Iterator[tuple[str, str | None, Callable[[Point], PathCost], bool, bool]]:
    if not join.inner.paths or (join.workers > 0 and join.inner.gathers):
        return  # consider_parallel_nestloop tries the cheapest inner path alone, and that must be parallel-safe
    inner = join.inner.paths[0]
    quals = QualCost(0.0, settings.cpu_operator_cost * sum(c.calls for c in join.clauses))

    terms_of = _terms(join, quals, indexed=False)
    outer_at, inner_at = join.outer_pricer(outer), join.inner_pricer(inner)

    def plain(point: Point) -> PathCost:
        outer_rows, inner_rows = join.rows_at(point)
        terms = terms_of(point)
        path = inner_at(inner_rows)
        return cost_nestloop(settings, outer_at(outer_rows), path, join.output_rows, 0, terms)

    def kept(point: Point) -> PathCost:
        outer_rows, inner_rows = join.rows_at(point)
        terms = terms_of(point)
        path = cost_material(settings, inner_at(inner_rows))
        return cost_nestloop(settings, outer_at(outer_rows), path, join.output_rows, 0, terms)

    yield inner.access or "plain", None, plain, True, False
    keepable = inner.path.kind not in _SELF_KEEPING and join.inner_made_unique is None
    keepable = keepable and (join.workers == 0 or materializes_below_gather(settings.server_major))
    if settings.enable_material and keepable:
        yield f"materialize of {inner.access}" if inner.access else "materialize", None, kept, True, False


def _with_index(
    settings: CostSettings, join: JoinInput, outer: SidePath, inner: Parameterised
) -> Callable[[Point], PathCost]:
    terms_of = _terms(join, _left_at_join(settings, join, inner), indexed=inner.indexed)
    outer_at = join.outer_pricer(outer)

    def cost(point: Point) -> PathCost:
        outer_rows, _ = join.rows_at(point)
        terms = terms_of(point)
        return cost_nestloop(settings, outer_at(outer_rows), inner.cost(point), join.output_rows, 0, terms)

    return cost


def _with_memoize(
    settings: CostSettings, join: JoinInput, outer: SidePath, inner: Parameterised
) -> Callable[[Point], PathCost]:
    terms_of = _terms(join, _left_at_join(settings, join, inner), indexed=False)
    key_width = sum(c.outer.width for c in inner.clauses)
    plain = _with_index(settings, join, outer, inner)
    processes = join.processes if join.workers > 0 else 1.0
    outer_at = join.outer_pricer(outer)

    def cost(point: Point) -> PathCost:
        outer_rows, _ = join.rows_at(point)
        if outer_rows * processes < _LEAST_REMEMBERED:
            return plain(point)
        path = cost_memoize(
            settings,
            inner.cost(point),
            calls=outer_rows,
            ndistinct=distinct_parameters(join, inner.clauses, outer_rows, join.whole_outer(point)),
            key_width=key_width,
        )
        terms = terms_of(point)
        return cost_nestloop(settings, outer_at(outer_rows), path, join.output_rows, 0, terms)

    return cost


def _terms(join: JoinInput, quals: QualCost, *, indexed: bool) -> Callable[[Point], NestLoopTerms]:
    """The terms of a nested loop, made once for each way in which rows match."""

    made: dict[Matching, NestLoopTerms] = {}
    matching_at = matching_of(join)

    def terms_of(point: Point) -> NestLoopTerms:
        matching = matching_at(point)
        terms = made.get(matching)
        if terms is None:
            made.clear()
            terms = NestLoopTerms(join_quals=quals, factors=factors_of(join, matching), indexed=indexed)
            made[matching] = terms
        return terms

    return terms_of


def _left_at_join(settings: CostSettings, join: JoinInput, inner: Parameterised) -> QualCost:
    """The clauses that the inner side does not enforce by itself."""
    left = sum(c.calls for c in join.clauses if c not in inner.clauses)
    return QualCost(0.0, settings.cpu_operator_cost * left)
