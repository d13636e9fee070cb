"""Merge joins: which sides are sorted for it, which come sorted already.

Source: sort_inner_and_outer, match_unsorted_outer and generate_mergejoin_paths in optimizer/path/joinpath.c, releases
13 to 18: the planner sorts both cheapest inputs by all clauses, or starts from an outer input that comes sorted by
some of them and sorts the inner one, or takes an inner one that comes sorted too. An unsorted outer input is never
paired with a sorted inner one, unless that is the cheapest anyway.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import prod

from rowreckon.cost import CostSettings, MergeJoinTerms, PathCost, QualCost, cost_mergejoin, cost_sort, scan_fractions
from rowreckon.cost.capabilities import has_right_anti_join
from rowreckon.joins.facts.inputs import ClauseInput, JoinInput, Point, SidePath

Sides = tuple[SidePath, SidePath]
Built = tuple[str, tuple[bool, bool], Callable[[Point], PathCost], tuple[str, ...], tuple[str, ...], int, Sides]


def sorted_merges(settings: CostSettings, join: JoinInput) -> Iterator[Built]:
    """Merge joins that sort both cheapest inputs, by each clause first."""
    merged = _merged(settings, join)
    if not merged:
        return
    cheapest_outer, cheapest_inner = join.outer_paths[0], join.inner.paths[0]
    for first in merged:
        clauses = [first, *(c for c in merged if c is not first)]
        outer_sorts = not _comes_sorted(cheapest_outer, [c.outer.text for c in clauses])
        inner_sorts = not _comes_sorted(cheapest_inner, [c.inner.text for c in clauses])
        yield _built(settings, join, cheapest_outer, cheapest_inner, outer_sorts, inner_sorts, clauses)


def presorted_merges(settings: CostSettings, join: JoinInput) -> Iterator[Built]:
    """Merge joins whose outer input comes sorted by some of the clauses."""
    merged = _merged(settings, join)
    if not merged:
        return
    must_merge_all = join.kind in ("Right", "Full", "Right Anti")
    cheapest_inner = join.inner.paths[0]
    for outer in join.outer_paths:
        leading = _led_by(outer, merged)
        if not leading or (must_merge_all and len(leading) < len(merged)):
            continue
        yield _built(settings, join, outer, cheapest_inner, False, True, leading)
        for count in range(len(leading), 0, -1):
            if must_merge_all and count < len(merged):
                break
            keys = [c.inner.text for c in leading[:count]]
            for inner in join.inner.paths:
                if _comes_sorted(inner, keys):
                    yield _built(settings, join, outer, inner, False, False, leading[:count])


def _merged(settings: CostSettings, join: JoinInput) -> list[ClauseInput]:
    """The clauses that can be merged, none where no merge join is possible."""
    merged = [c for c in join.clauses if c.can_merge]
    if not join.outer_paths or not join.inner.paths or not _has_type(settings, join):
        return []
    if join.kind in ("Right", "Full", "Right Anti") and len(merged) < len(join.clauses):
        return []
    return merged


def _comes_sorted(path: SidePath, keys: list[str]) -> bool:
    return list(path.order[: len(keys)]) == keys


def _led_by(outer: SidePath, merged: list[ClauseInput]) -> list[ClauseInput]:
    """The merge clauses that an outer path's sort order can be used for, in that order."""
    found: list[ClauseInput] = []
    for column in outer.order:
        matching = [c for c in merged if c.outer.text == column]
        if not matching:
            break
        found += matching
    return found


def _built(
    settings: CostSettings,
    join: JoinInput,
    outer: SidePath,
    inner: SidePath,
    outer_sorts: bool,
    inner_sorts: bool,
    merged: list[ClauseInput],
) -> Built:
    # Most ways are priced at a handful of points only: what they share is worked out when first needed.
    made: dict[float, MergeJoinTerms] = {}
    ordered: dict[float, tuple[PathCost, PathCost]] = {}  # the inner side and itself sorted; the last: it mostly stays
    outer_at, inner_at = join.outer_pricer(outer), join.inner_pricer(inner)

    def terms_of(found: float) -> MergeJoinTerms:
        others = [c for c in join.clauses if c not in merged]
        operator = settings.cpu_operator_cost
        return MergeJoinTerms(
            selectivity=min(prod(c.selectivity for c in merged) * found, 1.0),
            num_mergeclauses=len(merged),
            merge_quals=QualCost(0.0, operator * sum(c.calls for c in merged)),
            join_quals=QualCost(0.0, operator * sum(c.calls for c in others)),
            scan=scan_fractions(merged[0].scan, join.kind),
            sort_outer=outer_sorts,
            sort_inner=inner_sorts,
            skip_mark_restore=(join.kind in ("Semi", "Anti") or join.unique) and not others,
            unique_outer=join.outer_made_unique is not None,
        )

    def cost(point: Point) -> PathCost:
        outer_rows, inner_rows = join.rows_at(point)
        terms = made.get(point.found)
        if terms is None:
            terms = made[point.found] = terms_of(point.found)
        known = ordered.get(inner_rows)
        if known is None:
            path = inner_at(inner_rows)
            ordered.clear()
            known = ordered[inner_rows] = (path, cost_sort(settings, path) if inner_sorts else path)
        return cost_mergejoin(settings, outer_at(outer_rows), known[0], join.output_rows, 0, terms, known[1])

    words = [f"sort of {outer.access}" if outer_sorts else outer.access]
    words.append(f"sort of {inner.access}" if inner_sorts else inner.access)
    leading = () if join.kind in ("Right", "Full", "Right Anti") else (merged[0].outer.text, merged[0].inner.text)
    further = outer.order[1:] if leading and not outer_sorts else ()
    return " with ".join(words), (outer_sorts, inner_sorts), cost, leading, further, len(merged), (outer, inner)


def _has_type(settings: CostSettings, join: JoinInput) -> bool:
    if join.kind == "Right Semi":
        return False
    if join.kind == "Right Anti" and not has_right_anti_join(settings.server_major):
        return False
    return join.kind not in ("Right", "Full", "Right Anti") or join.workers == 0
