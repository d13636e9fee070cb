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
)
from rowreckon.cost.capabilities import has_parallel_right_hash_join, has_right_anti_join, has_right_semi_join
from rowreckon.cost.units import clamp_row_est

from .factors import Matching, factors_of, matching_of
from .inputs import JoinInput, KeyInput, Point, SidePath
from .moved import moved_with

Built = tuple[str, bool, Callable[[Point], PathCost]]


def hash_ways(settings: CostSettings, join: JoinInput) -> Iterator[Built]:
    """The hash join that builds on the inner side, where a clause can be hashed and the release has the join type."""
    hashed = [c for c in join.clauses if c.can_hash]
    if not hashed or not join.outer_paths:
        return
    outer = join.outer_paths[0]
    anti = join.kind == "Anti"

    moves = any(c.inner.relation_tuples > 0.0 for c in hashed)

    made: dict[tuple[Matching, float, bool], HashJoinTerms] = {}
    common: list[tuple[float, QualCost, QualCost]] = []  # what all points share, once it is asked for

    def key_of(key: KeyInput, inner_rows: float) -> HashKey:
        if not moves:
            return key.hash_key()
        return key.hash_key(moved_with(join.inner, inner_rows, key.relation_rows, key.relation_actual))

    def terms_of(matching: Matching, inner_rows: float, shared: bool) -> HashJoinTerms:
        if not common:
            operator = settings.cpu_operator_cost
            of_hashed = QualCost(0.0, operator * sum(c.calls for c in hashed))
            of_others = QualCost(0.0, operator * sum(c.calls for c in join.clauses if not c.can_hash))
            common.append((prod(c.selectivity for c in hashed), of_hashed, of_others))
        selectivity, hash_quals, join_quals = common[0]
        return HashJoinTerms(
            selectivity=min(selectivity * matching.ratio, 1.0),
            keys=tuple([key_of(c.inner, inner_rows) for c in hashed]),
            num_hashclauses=len(hashed),
            hash_quals=hash_quals,
            join_quals=join_quals,
            factors=factors_of(join, matching),
            anti=anti,
            unique_inner=join.inner_made_unique is not None,
            parallel_hash=shared,
            workers=join.workers if shared else 0,
        )

    matching = matching_of(join)
    tables: dict[tuple[float, bool], HashTableSize] = {}  # the last one: along outer rows it stays the same

    def cost(point: Point, inner: SidePath, shared: bool) -> PathCost:
        outer_rows, inner_rows = join.rows_at(point)
        key = (matching(point), inner_rows if moves else 0.0, shared)
        terms = made.get(key)
        if terms is None:
            made.clear()
            terms = made[key] = terms_of(*key)
        if shared:
            inner_rows = clamp_row_est(inner_rows / join.processes)
        built = join.inner_at(inner, inner_rows, shared=shared)
        table = tables.get((inner_rows, shared))
        if table is None:
            tables.clear()
            table = tables[(inner_rows, shared)] = join_hash_table(settings, built, terms)
        return cost_hashjoin(settings, join.outer_at(outer, outer_rows), built, join.output_rows, 0, terms, table)

    if join.inner.paths and _has_type(settings, join, shared=False):
        whole = join.inner.paths[0]
        yield _words("hash", whole), False, lambda point: cost(point, whole, False)
    shares = join.workers > 0 and bool(join.inner.partial_paths) and settings.enable_parallel_hash
    if shares and _has_type(settings, join, shared=True):
        part = join.inner.partial_paths[0]
        yield _words("shared hash", part), True, lambda point: cost(point, part, True)


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
