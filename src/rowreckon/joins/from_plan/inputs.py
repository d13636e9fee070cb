"""A join's inputs from the plan alone: printed costs, row counts, widths, and what follows from them.

What the plan leaves open is spanned by worlds: inputs that each agree with all that is printed. A verdict stands where
it is the same in all of them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from rowreckon.cost import CostSettings, QualCost, RelationSize, cost_seqscan
from rowreckon.cost.selectivity import WHOLE_SCAN
from rowreckon.cost.units import clamp_row_est
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.inputs import ClauseInput, JoinInput, ParameterisedAccess, SideInput, SidePath
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.permitted_methods import can_hash, can_merge
from rowreckon.joins.facts.sides import JoinFacts, Side
from rowreckon.joins.from_plan.bucket_rows import bucket_rows
from rowreckon.joins.from_plan.counted import Counted, key_input
from rowreckon.joins.from_plan.inner_access import executed_access, ordered_path, shared_inner, whole_inner
from rowreckon.joins.from_plan.inner_sizes import shape_of
from rowreckon.joins.from_plan.loop_executions import loop_evidence
from rowreckon.joins.from_plan.match_counts import matches_of
from rowreckon.joins.from_plan.proven_index import known_index, searches
from rowreckon.joins.from_plan.relation_sizes import seen_sizes
from rowreckon.joins.from_plan.whole_table_scans import RelationEvidence
from rowreckon.joins.ways.side_paths import printed_paths
from rowreckon.learned.facts import ColumnName
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import ScanNode

_MODES = ("likely", "ordered", "full")
_MATCHES = {"likely": 2.0, "ordered": 1.0, "full": 20.0}
"""Rows that match, per row that finds any, where a semijoin's plan does not tell."""
_KEEPS_INNER = frozenset({"Right Semi", "Right Anti"})
"""Semijoins that put out rows of their inner side."""
_MORE_PER_BUCKET = 4.0
"""How much more frequent than the average a key's most frequent value may be: hash buckets are taken to be as much
fuller (estimate_hash_bucket_stats in utils/adt/selfuncs.c).
"""


def plan_worlds(case: JoinAtHand, relations: RelationEvidence) -> list[JoinInput]:
    """The join in its executed order, once for each world that the plan allows; the likeliest first.

    Worlds differ in the size of a nested loop's inner relation, in how full a hash bucket is and in whether an index
    brings the order of a merge join. Empty where not even the executed method can be priced.
    """
    facts = case.facts
    keys_outer = [c.outer_text or c.text for c in facts.clauses]
    keys_inner = [c.inner_text or c.text for c in facts.clauses]
    outer = _plan_side(case, facts.outer, keys_outer, relations)
    inner = _plan_side(case, facts.inner, keys_inner, relations)
    if outer is None or inner is None:
        return []
    tuples = _tuples(case.reckoned, facts.outer, relations)
    read = Counted(outer.rows, tuples, None, came=None if tuples else _came(facts.outer))
    share, matches = _match_frac(facts), None
    if facts.kind in ("Semi", "Anti"):
        told = matches_of(case)
        share, matches = min(told.matched * facts.outer.processes / max(outer.rows, 1.0), 1.0), told.rows
    bucket = bucket_rows(case.settings, case.reckoned.tree, facts)
    worlds: list[JoinInput] = []
    turned = searches(case, facts.outer, relations)
    if turned and turned[0].taken:
        outer = replace(outer, paths=tuple(p._replace(order=turned[0].proven.keys) for p in outer.paths))
    may_be_ordered = any(side.scan is None or not case.no_index_orders(side) for side in (facts.outer, facts.inner))
    inner_worlds = _inner_worlds(case, inner, relations, keys_inner)
    for number, world in enumerate(inner_worlds):
        side, access = world.side, world.access
        modes: tuple[str, ...] = _MODES[:1]
        if side.paths or side.partial_paths:
            # fuller buckets make a hash join dearer, as a larger relation does
            modes = _MODES if len(inner_worlds) == 1 else {0: _MODES[:2], 2: _MODES[::2]}.get(number, _MODES[:1])
        lookups = turned[1:] if len(modes) == len(_MODES) else ()  # each also beside a hash join that is no dearer
        for mode, lookup in [*((mode, None) for mode in modes), *((_MODES[0], lookup) for lookup in lookups)]:
            ordered = mode == "ordered" and may_be_ordered
            chosen = lookup or (turned[max(_MODES.index(mode), min(number, 2))] if turned else None)
            worlds.append(
                JoinInput(
                    turned=False,
                    kind=facts.kind,
                    outer=_in_order(case, facts.outer, outer, relations) if ordered else outer,
                    inner=_in_order(case, facts.inner, side, relations)
                    if ordered and not facts.inner.parameterised
                    else side,
                    clauses=_clauses(facts, read, world.counted._replace(matches=matches), share, mode, bucket),
                    unique=facts.inner_unique and facts.kind not in ("Semi", "Anti"),
                    workers=facts.workers,
                    processes=facts.processes,
                    shared_hash=facts.shared_hash,
                    total_table_pages=0.0,
                    output_rows=facts.output_rows,
                    basis="plan",
                    match_frac=share,
                    executed_inner=access,
                    free_order=ordered,
                    full_buckets=mode == "full",
                    index_gone=world.gone,
                    open_keys=world.keys if chosen is None else chosen.keys,
                    turned_inner=chosen.access if chosen is not None else None,
                )
            )
    doubted = turned[0].doubted if turned else None
    if doubted is not None:
        likely = [world for world in worlds if not (world.free_order or world.full_buckets)]
        worlds += [replace(world, turned_inner=None, index_gone=doubted) for world in likely]
    return worlds


class InnerWorld(NamedTuple):
    """The inner side in one world: its rows and paths, how the executed loop finds a row, and its size.

    `gone` is the relation whose declared index is not there in this world, `keys` the column of which nobody tells how
    many values drive the loop.
    """

    side: SideInput
    access: ParameterisedAccess | None
    counted: Counted
    gone: str | None = None
    keys: ColumnName | None = None


def _inner_worlds(
    case: JoinAtHand,
    inner: SideInput,
    relations: RelationEvidence,
    keys: list[str],
) -> list[InnerWorld]:
    facts = case.facts
    if not facts.inner.parameterised:
        return _proven_worlds(case, inner, relations)
    known = loop_evidence(case, relations)
    if known is None:
        return []
    if not known.sizes:
        access = executed_access(case, known, None)
        return [InnerWorld(inner, access, Counted(inner.rows, 0.0, known.found))]
    worlds: list[InnerWorld] = []
    for size in known.sizes:
        paths = whole_inner(case.settings, facts, known, size, keys)
        shared = shared_inner(case.settings, facts, known, size)
        side = replace(inner, rows=paths[0].path.rows, paths=paths, partial_paths=shared)
        access = executed_access(case, known, size)
        worlds.append(InnerWorld(side, access, Counted(side.rows, size.tuples, size.found)))
    return worlds


def _proven_worlds(
    case: JoinAtHand,
    inner: SideInput,
    relations: RelationEvidence,
) -> list[InnerWorld]:
    """The inner side by itself; with an index on the join columns where the plan proves one to be there."""
    facts = case.facts
    unique = facts.inner_unique and facts.made_unique != "inner"
    tuples = _tuples(case.reckoned, facts.inner, relations)
    came = None if tuples or facts.made_unique == "inner" else _came(facts.inner)
    counted = Counted(inner.rows, tuples, 1.0 if unique else None, came=came)
    worlds: list[InnerWorld] = []
    found = searches(case, facts.inner, relations)
    for index, access, _, _, column in found:
        paths = inner.paths
        if paths:  # the scan that was taken stays the cheapest
            paths = (*paths, index.whole(case.settings, inner.rows, inner.width, paths[0].path.total_cost))
        worlds.append(InnerWorld(replace(inner, paths=paths), access, counted, keys=column))
    if worlds and found[0].doubted is not None:
        worlds.append(InnerWorld(inner, None, counted, found[0].doubted))
    return worlds or [InnerWorld(inner, None, counted)]


def _came(side: Side) -> float | None:
    """The rows of a side that came, over all processes."""
    return side.actual_rows * side.processes if side.actual_rows else None


def _tuples(reckoned: ReckonedTree, side: Side, relations: RelationEvidence) -> float:
    """Tuples of the relation that a side scans, 0 where it is none or the plan does not tell."""
    scan = reckoned.tree.nodes[side.scan] if side.scan is not None else None
    seen = relations.of(scan) if isinstance(scan, ScanNode) else None
    return seen.tuples if seen is not None else 0.0


def _plan_side(
    case: JoinAtHand,
    side: Side,
    keys: list[str],
    relations: RelationEvidence,
) -> SideInput | None:
    reckoned = case.reckoned
    partial = case.facts.workers > 0 and reckoned.parallelism.partial[side.node]
    printed = tuple(printed_paths(case.settings, reckoned.tree, case.facts, side, keys))
    whole = printed if not partial else _whole(case.settings, reckoned, side, relations)
    if not printed and not side.parameterised:
        return None
    rows = max(side.planner_rows, 1.0) * side.processes
    return SideInput(
        rows=rows,
        width=side.width,
        paths=whole,
        relation=None,
        single=side.scan is not None,
        partial_paths=printed if partial else (),
        parameters=(((rows, side.actual_rows),),),
        actual_ratio=side.actual_rows / side.planner_rows if side.actual_rows and side.planner_rows else None,
    )


def _whole(
    settings: CostSettings, reckoned: ReckonedTree, side: Side, relations: RelationEvidence
) -> tuple[SidePath, ...]:
    """A relation that the plan scanned by several processes, scanned by one."""
    node = reckoned.tree.nodes[side.node]
    seen = relations.of(node) if isinstance(node, ScanNode) and side.scan is not None else None
    if seen is None:
        return ()
    own = len(parse_condition(node.filter).clauses) if node.filter else 0
    quals = QualCost(0.0, settings.cpu_operator_cost * own)
    rows = clamp_row_est(side.planner_rows * side.processes)
    path = cost_seqscan(settings, RelationSize(seen.pages, seen.tuples), rows, side.width, qual=quals)
    return (SidePath(path, (), "seq_scan"),)


def _in_order(
    case: JoinAtHand,
    side: Side,
    given: SideInput,
    relations: RelationEvidence,
) -> SideInput:
    """The side as if its relation had an index in the order of the join columns; at no extra cost where its size is
    not known."""
    facts = case.facts
    if not given.single or case.no_index_orders(side) or known_index(case, side, relations) is not None:
        return given  # of an index that is known its order has a price
    inner = side is facts.inner
    keys = [(c.inner_text if inner else c.outer_text) or c.text for c in facts.clauses]
    scan = case.reckoned.tree.nodes[side.scan] if side.scan is not None else None
    seen = relations.of(scan) if isinstance(scan, ScanNode) else None
    if seen is None or given.partial_paths or not given.paths or not isinstance(scan, ScanNode):
        paths = tuple(path._replace(order=tuple(keys)) for path in given.paths)
        return replace(
            given, paths=paths, partial_paths=tuple(p._replace(order=tuple(keys)) for p in given.partial_paths)
        )
    own = len(parse_condition(scan.filter).clauses) if scan.filter else 0
    size = seen_sizes(seen, shape_of(case.reckoned, facts, side, 1.0, whole=False))[1]
    printed = given.paths[0].path.total_cost
    ordered = ordered_path(case.settings, size, given.rows, given.width, own, keys, printed)
    return replace(given, paths=(*given.paths, ordered))


def _clauses(
    facts: JoinFacts, outer: Counted, inner: Counted, share: float | None, mode: str, bucket: float | None
) -> tuple[ClauseInput, ...]:
    """The clauses; the first carries the selectivity of all, which the output's estimate tells.

    An equality's selectivity is one in the larger number of distinct values of its two sides (eqjoinsel in
    utils/adt/selfuncs.c), so that its inverse bounds both. `bucket` are the rows of a bucket of the executed join at
    most, None where nothing tells.
    """
    output = facts.output_rows * facts.processes
    if share is not None:
        # what the inner join would put out: each row with a match as often as it has one
        matches = inner.matches if inner.matches is not None else _MATCHES[mode]
        kept, searched = (inner, outer) if facts.kind in _KEEPS_INNER else (outer, inner)
        output = max(share * kept.rows, 1.0) * matches
        searched = searched._replace(per_value=searched.per_value or matches)
        outer, inner = (searched, kept) if facts.kind in _KEEPS_INNER else (kept, searched)
    selectivity = min(max(output, 1.0) / max(outer.rows * inner.rows, 1.0), 1.0)
    values = 1.0 / selectivity
    keys = (outer.distinct(values), inner.distinct(values))
    fuller = built_fuller = _MORE_PER_BUCKET if mode == "full" else 0.0
    if bucket is not None and len(facts.clauses) == 1:
        built_fuller = min(fuller, bucket * keys[1] / max(inner.tuples, inner.rows))
    found: list[ClauseInput] = []
    for position, clause in enumerate(facts.clauses):
        found.append(
            ClauseInput(
                operator=clause.operator,
                selectivity=selectivity if position == 0 else 1.0,
                semi=None,
                outer=key_input(clause, False, outer, keys[0], fuller),
                inner=key_input(clause, True, inner, keys[1], built_fuller),
                can_hash=can_hash(clause),
                can_merge=can_merge(clause),
                scan=WHOLE_SCAN,
            )
        )
    return tuple(found)


def _match_frac(facts: JoinFacts) -> float | None:
    """The share of the inner side's rows with a match that the planner expected of a join that keeps those."""
    if facts.kind not in _KEEPS_INNER:
        return None
    kept = facts.inner.planner_rows * facts.inner.processes
    share = min(facts.output_rows * facts.processes / max(kept, 1.0), 1.0)
    return share if "Semi" in facts.kind else 1.0 - share
