"""A semijoin run as an inner join whose inner side was made unique first.

Source: create_unique_path in optimizer/util/pathnode.c (13 to 17; 18 comes to the same costs), cost_agg in
optimizer/path/costsize.c. Not modelled: a hash aggregate that spills.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from rowreckon.cost import CostSettings, PathCost, cost_sort
from rowreckon.cost.selectivity import GroupRelation, estimate_num_groups
from rowreckon.cost.units import clamp_row_est
from rowreckon.frozen import frozen
from rowreckon.joins.facts.inputs import JoinInput, KeyInput, SidePath
from rowreckon.joins.facts.uniqueness import proves_unique

_HASH_ENTRY_OVERHEAD = 64
"""Bytes that create_unique_path adds to a row's width for its hash table, on all releases."""


@frozen
class MadeUnique:
    """The keys by which a side was made unique."""

    keys: tuple[KeyInput, ...]

    def rows(self, side_rows: float) -> float:
        """Rows that are left of so many."""
        calls = clamp_row_est(side_rows)
        if any(k.ndistinct is None for k in self.keys):
            return calls
        by_alias: dict[str | None, list[KeyInput]] = {}
        for key in self.keys:
            by_alias.setdefault(key.alias, []).append(key)
        relations = [
            GroupRelation(
                tuple(k.ndistinct for k in members if k.ndistinct is not None),
                min(calls, members[0].relation_tuples or calls),
                members[0].relation_tuples or calls,
            )
            for members in by_alias.values()
        ]
        return estimate_num_groups(relations, calls)


def made_unique(settings: CostSettings, join: JoinInput) -> Iterator[JoinInput]:
    """The inner joins, in both orders of the sides, that a semijoin can be run as."""
    if join.kind != "Semi" or not join.inner.paths or not join.clauses:
        return
    if not all(c.can_hash and c.can_merge for c in join.clauses):
        return
    unique = MadeUnique(tuple(c.inner for c in join.clauses))
    path = _unique_path(settings, join.inner.paths[0].path, unique.rows(join.inner.rows), len(join.clauses))
    read = SidePath(path, (), "unique", safe=join.inner.paths[0].safe)
    side = replace(join.inner, paths=(read,), partial_paths=(), relation=None, single=False)
    # what is made unique is read by itself, never row by row
    straight = replace(join, kind="Inner", inner=side, unique=True, executed_inner=None, inner_made_unique=unique)
    yield straight
    if join.workers > 0:
        return
    turned = tuple(c.turned() for c in join.clauses)
    yield replace(
        straight,
        turned=not join.turned,
        outer=side,
        inner=join.outer,
        clauses=turned,
        unique=join.outer.single and proves_unique(join.outer.relation, turned),
        inner_made_unique=None,
        outer_made_unique=unique,
    )


def _unique_path(settings: CostSettings, path: PathCost, rows: float, columns: int) -> PathCost:
    """The cheaper of a hash aggregate and of a sort with duplicates removed."""
    hashed = path.total_cost + settings.cpu_operator_cost * columns * path.rows
    hash_total = hashed + settings.cpu_tuple_cost * rows
    ordered = cost_sort(settings, path)
    sort_total = ordered.total_cost + settings.cpu_operator_cost * columns * path.rows
    fits = rows * (_HASH_ENTRY_OVERHEAD + path.width) <= settings.hash_mem_bytes
    if settings.enable_hashagg and fits and hash_total < sort_total:
        return PathCost(hashed, hash_total, rows, path.width, hashed, hash_total, path.disabled_nodes, "Aggregate")
    start = ordered.startup_cost
    return PathCost(start, sort_total, rows, path.width, start, sort_total, path.disabled_nodes, "Unique")
