"""Inner sides that take a value from each outer row: index and bitmap scans, existing or still to be built.

Source: match_clauses_to_index, get_join_index_paths and get_loop_count in optimizer/path/indxpath.c,
get_parameterized_baserel_size in optimizer/path/costsize.c, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import log

from rowreckon.cost import (
    STD_FUZZ_FACTOR,
    CostSettings,
    IndexCondition,
    PathCost,
    QualCost,
    amcostestimate,
    bitmap_index,
    cost_bitmap_heap_scan,
    cost_index,
)
from rowreckon.cost.capabilities import remembers_other_types
from rowreckon.cost.units import clamp_row_est
from rowreckon.frozen import frozen
from rowreckon.joins.above.add_path import replaces
from rowreckon.joins.facts.inputs import ClauseInput, JoinInput, KnownIndex, Point
from rowreckon.joins.facts.known_relation import KnownRelation
from rowreckon.joins.facts.rows_below import moved_with
from rowreckon.joins.ways.index_match import Match, hypothetical_index, match_index, parameter_selectivity

_PLAINLY_OFF = log(2.0)
CostAt = Callable[[Point], PathCost]
_TELLING_ROWS = 2.0
"""Expected rows below which rounding leaves open how many different keys a plan's join has at most."""
_COMPARISONS = frozenset({"=", "<", "<=", ">", ">="})


@frozen
class Parameterised:
    """A parameterised inner path: `cost` per execution; `clauses` are the join clauses that it enforces."""

    access: str
    index: str | None
    cost: Callable[[Point], PathCost]
    clauses: tuple[ClauseInput, ...]
    indexed: bool
    memoizable: bool
    existing: bool = True
    solved: bool = False


def parameterised_paths(settings: CostSettings, join: JoinInput) -> Iterator[Parameterised]:
    """The parameterised paths of the inner side; a hypothetical index comes last, where none leads with a key."""
    relation = join.inner.relation
    if join.executed_inner is not None:
        given = join.executed_inner
        access = f"memoize of {given.access}" if given.memoized else given.access
        yield Parameterised(
            access,
            given.index,
            lambda point: given.at(join.rows_at(point)[0]),
            join.clauses,
            given.indexed,
            not given.memoized and is_memoizable(settings, join) and join.output_rows >= _TELLING_ROWS,
            solved=not given.exact,
        )
        return
    if relation is None or not join.inner.single:
        return
    keyed = _keyed(join.clauses)
    leads = False
    for index in relation.indexes:
        match = match_index(settings, relation, index, keyed)
        if match is None:
            continue
        first = index.keys[0]
        leads = leads or first is None or first in {c.inner.column for c in match.join_clauses}
        yield from _paths(settings, join, relation, index, match, existing=True)
    equalities = [c for c in keyed if c.operator == "=" and c.inner.column is not None]
    if not leads and equalities:
        index = hypothetical_index(relation, equalities)
        match = match_index(settings, relation, index, keyed)
        if match is not None:
            yield from _paths(settings, join, relation, index, match, existing=False)


def _paths(
    settings: CostSettings,
    join: JoinInput,
    relation: KnownRelation,
    index: KnownIndex,
    match: Match,
    *,
    existing: bool,
) -> Iterator[Parameterised]:
    indexed_all = len(match.join_clauses) == len(join.clauses)
    name = index.name if existing else None
    accesses = list(_accesses(settings, join, relation, index))
    costs = [_cost(settings, join, relation, index, match, access, join.clauses) for access in accesses]
    if len(costs) == 2:
        costs = _weighed(*costs, sooner=join.kind in ("Semi", "Anti"))
    for access, cost in zip(accesses, costs, strict=True):
        yield Parameterised(access, name, cost, join.clauses, indexed_all, is_memoizable(settings, join), existing)


def _weighed(held: CostAt, new: CostAt, *, sooner: bool) -> list[CostAt]:
    """What a join is built on where a relation can be scanned in either way: that of the two which the planner keeps.

    Scans by the same parameters are weighed against each other before any join is (add_path in
    optimizer/util/pathnode.c, called by create_index_paths in optimizer/path/indxpath.c). Where a first row is wanted
    `sooner`, as below a semijoin, the one that starts sooner stays too.
    """
    last: list[tuple[Point, PathCost, PathCost]] = []

    def both(point: Point) -> tuple[Point, PathCost, PathCost]:
        if not last or last[0][0] is not point:
            before, after = held(point), new(point)
            if not replaces(after, before):
                after = before
            elif not sooner or after.startup_cost <= before.startup_cost * STD_FUZZ_FACTOR:
                before = after
            last[:] = [(point, before, after)]
        return last[0]

    return [lambda point: both(point)[1], lambda point: both(point)[2]]


def index_costs(
    settings: CostSettings, join: JoinInput, relation: KnownRelation, clauses: tuple[ClauseInput, ...]
) -> Iterator[tuple[str, Callable[[Point], PathCost]]]:
    """Each index of a relation that takes up a join clause, with what a scan by it costs per execution."""
    keyed = _keyed(clauses)
    for index in relation.indexes:
        match = match_index(settings, relation, index, keyed)
        for access in _accesses(settings, join, relation, index) if match is not None else ():
            assert match is not None
            yield index.name, _cost(settings, join, relation, index, match, access, clauses)


def is_memoizable(settings: CostSettings, join: JoinInput) -> bool:
    """Whether a parameterised inner side's rows may be kept per parameter value (get_memoize_path).

    An equality that can't hash may be one between two types, each of which can be hashed by itself.
    """
    alone = remembers_other_types(settings.server_major)
    equal = all(c.operator == "=" and (c.can_hash or (alone and c.outer.hashable)) for c in join.clauses)
    return equal and (join.kind in ("Inner", "Left") or join.unique)


def _keyed(clauses: tuple[ClauseInput, ...]) -> list[ClauseInput]:
    return [c for c in clauses if c.operator in _COMPARISONS]


def _accesses(settings: CostSettings, join: JoinInput, relation: KnownRelation, index: KnownIndex) -> Iterator[str]:
    held = settings.enable_indexonlyscan and not index.shape.hashed and _covers(relation, index)
    only = held or join.executed_index == f"only:{index.name}"
    if settings.enable_indexscan or not settings.enable_bitmapscan:
        yield "index_only_scan" if only else "index_scan"
    if settings.enable_bitmapscan:
        yield "bitmap_scan"


def _cost(
    settings: CostSettings,
    join: JoinInput,
    relation: KnownRelation,
    index: KnownIndex,
    match: Match,
    access: str,
    clauses: tuple[ClauseInput, ...],
) -> Callable[[Point], PathCost]:
    operator = settings.cpu_operator_cost
    calls = relation.restriction_calls + sum(c.calls for c in clauses)
    own_quals = match.quals - len(match.join_clauses)
    left = max(calls - own_quals - sum(c.calls for c in match.join_clauses) - index.implied, 0.0)
    operand = QualCost(0.0, operator * sum(c.outer.calls for c in match.join_clauses))
    filter_cost = QualCost(0.0, operator * left)
    all_quals = QualCost(0.0, operator * calls)
    per_scan = relation.selectivity
    for clause in clauses:
        per_scan *= parameter_selectivity(relation, clause)
    tuples = relation.size.tuples
    width = join.inner.width
    pages = join.total_table_pages
    shape = index.shape

    ratio_of = scan_ratio(relation, clauses)
    filtering = [c for c in clauses if c.filters]
    # which of several clauses rejected the pairs is not known: the index is then taken to find what is expected of it
    sifts = len(filtering) == 1 and filtering[0] in match.join_clauses
    enforces_own = match.quals > len(match.join_clauses) or index.share < 1.0

    def cost(point: Point) -> PathCost:
        ratio, kept = ratio_of(point), kept_at(join, point)
        rows = clamp_row_est(min(per_scan * ratio * kept, 1.0) * tuples)
        found = ratio * kept if enforces_own else ratio
        if not sifts:
            found /= point.filtered
        condition = IndexCondition(
            selectivity=min(match.selectivity * found, 1.0),
            boundary_selectivity=min(match.boundary * found, 1.0),
            num_quals=match.quals,
            num_sa_scans=match.descents,
            unique_match=match.unique_match,
            operand=operand,
        )
        loops = loop_count(join, point)
        if access != "bitmap_scan":
            return cost_index(
                settings,
                relation.size,
                shape,
                condition,
                rows,
                width,
                total_table_pages=pages,
                loop_count=loops,
                index_only=access == "index_only_scan",
                qual=filter_cost,
            )
        searched = amcostestimate(
            settings, shape, condition, relation_tuples=tuples, total_table_pages=pages, loop_count=loops
        )
        bitmap = bitmap_index(settings, searched, shape, rows)
        return cost_bitmap_heap_scan(
            settings,
            relation.size,
            bitmap,
            rows,
            width,
            total_table_pages=pages,
            loop_count=loops,
            qual=all_quals,
        )

    return cost


def kept_at(join: JoinInput, point: Point) -> float:
    """How many times more rows than expected the inner relation's own conditions let through at a point."""
    _, inner_rows = join.rows_at(point)
    expected = max(join.inner.rows, 1.0)
    if inner_rows == expected or join.inner.relation is None:
        return inner_rows / expected
    unrounded = join.inner.relation.selectivity * join.inner.relation.size.tuples
    return inner_rows / (unrounded if 0.0 < unrounded < 1.0 == expected else expected)


def scan_ratio(relation: KnownRelation, clauses: tuple[ClauseInput, ...]) -> Callable[[Point], float]:
    """How many times more rows than estimated one execution finds, where pairs match more or less often.

    The planner expects of one execution the rows of an average inner key (var_eq_non_const), of the join as many pairs
    as the side with more distinct keys allows (eqjoinsel): once the pairs were counted, they are what executions find.
    """
    told = 1.0
    for clause in clauses:
        told *= clause.selectivity / max(parameter_selectivity(relation, clause), 1.0e-12)

    def ratio(point: Point) -> float:
        if point.ratio == 1.0:
            return 1.0
        known = min(abs(log(max(point.ratio, 1.0e-12))) / _PLAINLY_OFF, 1.0)
        return point.ratio * float(max(told, 1.0e-12) ** known)

    return ratio


def loop_count(join: JoinInput, point: Point) -> float:
    """How often the planner takes the inner side to be scanned: rows of the smallest relation giving parameters.

    Where several relations could give the same value, each makes a scan of its own, and the one that is reckoned to
    be repeated most costs least. Where the outer side is one relation these are its rows; where it is a join, they move
    from the relation's estimate to its actual as the outer rows do.
    """
    side = join.outer
    rows = join.whole_outer(point)
    if join.outer_made_unique is not None:
        return clamp_row_est(rows)
    return clamp_row_est(
        min(max(known * moved_with(side, rows, known, came) for known, came in givers) for givers in side.parameters)
    )


def _covers(relation: KnownRelation, index: KnownIndex) -> bool:
    """Whether the index holds every column that the plan needs of the relation (an index-only scan)."""
    if relation.columns is None:
        return False
    needed = set(relation.columns)
    for restriction in relation.restrictions:
        needed.update(c.column for c in restriction.clause.columns)
    return needed <= index.covered
