"""Merge joins: which sides are sorted for it, which come sorted already."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rowreckon.cost import CostSettings, MergeJoinTerms, PathCost, QualCost, cost_mergejoin, scan_fractions
from rowreckon.cost.capabilities import has_right_anti_join

from .inputs import ClauseInput, JoinInput, Point, SideInput, SidePath

Built = tuple[str, tuple[bool, bool], Callable[[Point], PathCost]]


def merge_ways(settings: CostSettings, join: JoinInput) -> Iterator[Built]:
    """Merge joins over each pair of sorted and presorted inputs."""
    merged = [c for c in join.clauses if c.can_merge]
    if not merged or not _has_type(settings, join, merged):
        return
    if not join.outer.paths or not join.inner.paths:
        return
    others = [c for c in join.clauses if not c.can_merge]
    stops = join.kind in ("Semi", "Anti") or join.unique
    operator = settings.cpu_operator_cost
    merge_quals = QualCost(0.0, operator * sum(c.calls for c in merged))
    join_quals = QualCost(0.0, operator * sum(c.calls for c in others))
    selectivity = 1.0
    for clause in merged:
        selectivity *= clause.selectivity
    scan = scan_fractions(merged[0].scan, join.kind)
    for outer, outer_sorts in _inputs(join.outer, [c.outer.text for c in merged]):
        for inner, inner_sorts in _inputs(join.inner, [c.inner.text for c in merged]):
            yield _built(
                settings, join, outer, inner, outer_sorts, inner_sorts,
                MergeJoinTerms(
                    selectivity=selectivity,
                    num_mergeclauses=len(merged),
                    merge_quals=merge_quals,
                    join_quals=join_quals,
                    scan=scan,
                    sort_outer=outer_sorts,
                    sort_inner=inner_sorts,
                    skip_mark_restore=stops and not others,
                ),
            )  # fmt: skip


def _built(
    settings: CostSettings,
    join: JoinInput,
    outer: SidePath,
    inner: SidePath,
    outer_sorts: bool,
    inner_sorts: bool,
    terms: MergeJoinTerms,
) -> Built:
    # Only the selectivity moves; replacing a frozen value costs more than making it anew, so the parts are kept.
    def cost(point: Point) -> PathCost:
        outer_rows, inner_rows = join.rows_at(point)
        here = terms
        if point.ratio != 1.0:
            here = MergeJoinTerms(
                selectivity=min(terms.selectivity * point.ratio, 1.0),
                num_mergeclauses=terms.num_mergeclauses,
                merge_quals=terms.merge_quals,
                join_quals=terms.join_quals,
                scan=terms.scan,
                sort_outer=terms.sort_outer,
                sort_inner=terms.sort_inner,
                skip_mark_restore=terms.skip_mark_restore,
            )
        return cost_mergejoin(
            settings, outer.path.with_rows(outer_rows), inner.path.with_rows(inner_rows), join.output_rows, 0, here
        )

    words = [f"sort of {outer.access}" if outer_sorts else outer.access]
    words.append(f"sort of {inner.access}" if inner_sorts else inner.access)
    return " with ".join(words), (outer_sorts, inner_sorts), cost


def _inputs(side: SideInput, keys: list[str]) -> Iterator[tuple[SidePath, bool]]:
    """The cheapest path with a sort, and paths that come sorted by the merge keys."""
    yield side.paths[0], True
    for path in side.paths:
        if path.order and set(path.order[: len(keys)]) == set(keys):
            yield path, False


def _has_type(settings: CostSettings, join: JoinInput, merged: list[ClauseInput]) -> bool:
    if join.kind == "Right Semi":
        return False
    if join.kind == "Right Anti" and not has_right_anti_join(settings.server_major):
        return False
    if join.kind in ("Right", "Full", "Right Anti"):
        return len(merged) == len(join.clauses) and join.workers == 0
    return True
