"""Hash joins: which side is built, on which keys, shared between processes or not."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import prod

from rowreckon.cost import (
    CostSettings,
    HashJoinTerms,
    HashKey,
    HashTableSize,
    PathCost,
    QualCost,
    cost_hashjoin,
    join_hash_table,
    parallel_divisor,
)
from rowreckon.cost.capabilities import has_parallel_right_hash_join, has_right_anti_join, has_right_semi_join
from rowreckon.cost.units import clamp_row_est
from rowreckon.joins.facts.inputs import JoinInput, KeyInput, Point, SidePath
from rowreckon.joins.facts.rows_below import moved_with
from rowreckon.joins.ways.match_factors import Matching, factors_of, matching_of

Built = tuple[str, bool, Callable[[Point], PathCost], tuple[SidePath, SidePath]]


def hash_ways(settings: CostSettings, join: JoinInput) -> Iterator[Built]:
    """The hash join that builds on the inner side, where a clause can be hashed and the release has the join type."""
    hashed = [c for c in join.clauses if c.can_hash]
    if not hashed or not join.outer_paths:
        return
    outer = join.outer_paths[0]
    anti = join.kind == "Anti"

    single = join.inner.single
    moves = any(c.inner.relation_tuples > 0.0 and (single or c.inner.relation_actual is not None) for c in hashed)

    made: dict[tuple[Matching, bool], HashJoinTerms] = {}
    inner_keys = tuple(c.inner for c in hashed)
    still = tuple(key.hash_key() for key in inner_keys)

    def moved(key: KeyInput, inner_rows: float) -> HashKey:
        return key.hash_key(moved_with(join.inner, inner_rows, key.relation_rows, key.relation_actual))

    def terms_of(matching: Matching, shared: bool) -> HashJoinTerms:
        operator = settings.cpu_operator_cost
        return HashJoinTerms(
            selectivity=min(prod(c.selectivity for c in hashed) * matching.found, 1.0),
            keys=still,
            num_hashclauses=len(hashed),
            hash_quals=QualCost(0.0, operator * sum(c.calls for c in hashed)),
            join_quals=QualCost(0.0, operator * sum(c.calls for c in join.clauses if not c.can_hash)),
            factors=factors_of(join, matching),
            anti=anti,
            unique_inner=join.inner_made_unique is not None,
            parallel_hash=shared,
            workers=join.workers if shared else 0,
            inner_workers=inner_workers if shared else 0,
        )

    # the table is filled by a scan that was given its own number of workers
    inner_workers = (join.inner.partial_paths[0].workers if join.inner.partial_paths else 0) or join.workers
    inner_processes = parallel_divisor(settings, inner_workers)
    matching = matching_of(join)
    tables: dict[tuple[float, bool], tuple[HashTableSize, tuple[HashKey, ...]]] = {}  # the last: it mostly stays
    outer_at = join.outer_pricer(outer)

    def cost(point: Point, inner_at: Callable[[float], PathCost], shared: bool) -> PathCost:
        outer_rows, inner_rows = join.rows_at(point)
        key = (matching(point), shared)
        terms = made.get(key)
        if terms is None:
            made.clear()
            terms = made[key] = terms_of(*key)
        whole_rows = inner_rows
        if shared:
            inner_rows = clamp_row_est(inner_rows / inner_processes)
        built = inner_at(inner_rows)
        known = tables.get((inner_rows, shared))
        if known is None:
            tables.clear()
            keys = tuple([moved(k, whole_rows) for k in inner_keys]) if moves else still
            known = tables[(inner_rows, shared)] = (join_hash_table(settings, built, terms), keys)
        outer_path = outer_at(outer_rows)
        return cost_hashjoin(settings, outer_path, built, join.output_rows, 0, terms, known[0], known[1])

    if join.inner.paths and _has_type(settings, join, shared=False):
        whole = join.inner.paths[0]
        whole_at = join.inner_pricer(whole)
        yield _words("hash", whole), False, lambda point: cost(point, whole_at, False), (outer, whole)
    shares = join.workers > 0 and bool(join.inner.partial_paths) and settings.enable_parallel_hash
    if shares and _has_type(settings, join, shared=True):
        part = join.inner.partial_paths[0]
        part_at = join.inner.pricer(part, inner_processes)
        yield _words("shared hash", part), True, lambda point: cost(point, part_at, True), (outer, part)


def _words(table: str, inner: SidePath) -> str:
    return f"{table} of {inner.access}" if inner.access else table


def _has_type(settings: CostSettings, join: JoinInput, *, shared: bool) -> bool:
    major = settings.server_major
    if join.kind == "Right Anti":
        return has_right_anti_join(major) and (join.workers == 0 or shared)
    if join.kind == "Right Semi":
        return has_right_semi_join(major) and join.workers == 0
    if join.kind in ("Right", "Full") and join.workers > 0:
        return shared and has_parallel_right_hash_join(major)
    return True
