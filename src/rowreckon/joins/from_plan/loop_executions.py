"""What a plan tells of a nested loop's inner side: the cost of one execution, and how it changes with their number.

With more executions pages are shared (Mackert-Lohman): how many depends on the relation's size, which `inner_sizes`
bounds. `execution_cost` solves the cost of one, `found_rows` the rows that it finds, `loops` the number of executions.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from rowreckon.cost import CostSettings
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.from_plan.choice_bound import InnerScan, weighed_sizes
from rowreckon.joins.from_plan.execution_cost import ROUNDING, solved_cost
from rowreckon.joins.from_plan.found_rows import expected_found, share_kept
from rowreckon.joins.from_plan.inner_sizes import Asked, index_condition, range_quals_of, shape_of_scan, sizes_by_cost
from rowreckon.joins.from_plan.loops import Loops, loops_of
from rowreckon.joins.from_plan.pages_cost import pages_cost
from rowreckon.joins.from_plan.relation_sizes import SizeGuess, seen_sizes
from rowreckon.joins.from_plan.whole_table_scans import RelationEvidence, SeenRelation
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import BitmapHeapScanNode, IndexScanNode, ScanNode

_LEAST_PRECISE = 0.01


@frozen
class LoopEvidence:
    """One execution of the inner side: its cost, the rows that its index finds, and the sizes that are possible.

    `found` rows come from the index, `kept` is the share that the scan's own filter leaves. `exact` says that `total`
    is precise enough to reckon the join's cost from it. `sizes` hold the likely one, the smallest and the largest.
    `range_quals` are the conditions with constants that the index takes up beside those of the join.
    """

    total: float
    startup: float
    exact: bool
    found: float
    kept: float
    quals: int
    own_quals: int
    loops: Loops
    index_only: bool
    allvisfrac: float
    sizes: tuple[SizeGuess, ...]
    range_quals: int = 0


class Execution(NamedTuple):
    """One execution of an inner scan, as far as the plan tells of it without the size of its relation.

    `solved` is its cost, `play` how far it may be off; `believable` says that it goes with what is printed. `found`
    rows come from its index, of which `kept` is the share that the relation's own conditions leave, `share` that of all
    conditions; `candidates` are the numbers of rows that may be found, the likely one first.
    """

    printed: float
    solved: float
    play: float
    believable: bool
    found: float
    candidates: list[float]
    share: float
    kept: float
    quals: int
    filters: int
    own: int
    loops: Loops | None
    visible: float

    @property
    def asked(self) -> Asked | None:
        """What its index was asked, None where the number of executions is not told."""
        if self.loops is None:
            return None
        return Asked(max(self.quals, 1), self.filters, self.loops.rows, self.visible, self.loops.whole)

    def cost(self, *, memoized: bool) -> tuple[float, float] | None:
        """Its solved cost with its play, None where only the printed one can be believed."""
        return (self.solved, self.play) if self.believable and not memoized else None


def execution_of(case: JoinAtHand) -> Execution | None:
    """One execution of a parameterised inner side; None where costs are missing."""
    reckoned, facts = case.reckoned, case.facts
    tree = reckoned.tree
    top, join, outer = tree.nodes[facts.inner.child], tree.nodes[facts.node], tree.nodes[facts.outer.child]
    if top.total_cost is None or top.startup_cost is None or join.total_cost is None or outer.total_cost is None:
        return None
    rows, printed = max(facts.inner.planner_rows, 1.0), float(top.total_cost)
    scan = tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    quals = filters = own = 0
    kept = share = 1.0
    candidates = expected_found(reckoned, facts, rows)
    if isinstance(scan, ScanNode):
        index_cond = index_condition(reckoned, facts)
        quals = len(parse_condition(index_cond).clauses) if index_cond is not None else 0
        filters = len(parse_condition(scan.filter).clauses) if scan.filter else 0
        own = max(filters - sum(1 for c in facts.clauses if c.place == "scan_filter"), 0)
        # conditions of the join among them are none of the relation's own: each is taken to keep an equal share
        share = share_kept(facts, scan) if filters else 1.0
        if filters and isinstance(scan, BitmapHeapScanNode) and rows < candidates[0]:
            share = rows / candidates[0]  # both as the planner expected them
        kept = share ** (own / filters) if own else 1.0
    solved, play = solved_cost(case, printed, kept)
    believable = abs(solved - printed) <= ROUNDING + play
    if believable and not facts.inner.memoized:  # what the join's total leaves wide open is printed more exactly
        solved = min(max(solved, printed - ROUNDING), printed + ROUNDING)
    return Execution(
        printed=printed,
        solved=solved,
        play=play,
        believable=believable,
        found=candidates[0] if len(candidates) == 1 else max(rows / share, 1.0),
        candidates=candidates,
        share=share,
        kept=kept,
        quals=quals,
        filters=filters,
        own=own,
        loops=loops_of(reckoned, facts),
        visible=_all_visible(scan, reckoned, facts) if isinstance(scan, IndexScanNode) else 0.0,
    )


def loop_evidence(case: JoinAtHand, relations: RelationEvidence) -> LoopEvidence | None:
    """The evidence for an executed nested loop with a parameterised inner side; None where costs are missing."""
    reckoned, facts = case.reckoned, case.facts
    run = execution_of(case)
    if run is None:
        return None
    tree = reckoned.tree
    calls = max(facts.outer.planner_rows, 1.0)
    scan = tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    total = run.solved if run.believable or facts.inner.memoized else run.printed
    sizes: list[SizeGuess] = []
    if isinstance(scan, ScanNode):
        shape = shape_of_scan(reckoned, facts, scan, run.found)
        seen, cost, asked = relations.of(scan), run.cost(memoized=facts.inner.memoized), run.asked
        if seen is not None:
            agreeing = sizes_by_cost(case, scan, shape, cost, run.candidates, asked, seen) if asked is not None else []
            sizes = agreeing or seen_sizes(seen, shape, run.found)
        elif run.loops is not None and asked is not None:
            dumped = relations.dumped(scan)
            if dumped is not None:
                sizes = _near(dumped, lambda size: sizes_by_cost(case, scan, shape, cost, run.candidates, asked, size))
            agree = bool(sizes)
            sizes = sizes or sizes_by_cost(case, scan, shape, cost, run.candidates, asked)
            executed = _executed(
                case.settings,
                float(scan.startup_cost or 0.0),
                total,
                run.loops,
                run.visible,
                bitmap=isinstance(scan, BitmapHeapScanNode),
            )
            inner = InnerScan(run.own, run.kept, run.visible > 0.0, executed)
            sizes = sizes if agree else weighed_sizes(case, sizes, inner)
    return LoopEvidence(
        total=max(total, 0.0),
        startup=float(tree.nodes[facts.inner.child].startup_cost or 0.0),
        exact=ROUNDING / max(run.printed, ROUNDING) <= _LEAST_PRECISE and not facts.inner.memoized,
        found=run.found,
        kept=run.kept,
        quals=max(run.quals, 1),
        own_quals=run.own,
        loops=run.loops or Loops(calls, calls, 1.0),
        index_only=scan is not None and scan.node_type == "Index Only Scan",
        allvisfrac=run.visible,
        sizes=tuple(sizes),
        range_quals=range_quals_of(reckoned, facts) or 0,
    )


_SINCE = (1.0, 0.8, 1.25)
"""How far a table may have grown or shrunk since its statistics were taken.

Autovacuum takes them anew after a change of a tenth, and vacuums after a fifth (source: the manual, "Automatic
Vacuuming", autovacuum_analyze_scale_factor and autovacuum_vacuum_scale_factor).
"""


def _near(dumped: SeenRelation, agreeing: Callable[[SeenRelation], list[SizeGuess]]) -> list[SizeGuess]:
    """The sizes near that of a statistics dump with which the execution costs what was charged; none where its own does
    not agree."""
    found: list[SizeGuess] = []
    for factor in _SINCE:
        sizes = agreeing(SeenRelation(max(dumped.pages * factor, 1.0), dumped.tuples * factor))
        if factor == 1.0 and not sizes:
            return []
        found += sizes
    return found


def _executed(
    settings: CostSettings, startup: float, total: float, loops: Loops, allvisfrac: float, *, bitmap: bool
) -> Callable[[SizeGuess], Callable[[float], float]]:
    """What one execution costs by the outer rows, in a world of some size, where it was reckoned to cost `total`."""

    def executed(guess: SizeGuess) -> Callable[[float], float]:
        read = pages_cost(settings, guess, allvisfrac, bitmap=bitmap)
        rest = max(total - read(loops.rows), startup)  # which a rounded number of executions could make less
        return lambda outer_rows: rest + read(loops.at(outer_rows))

    return executed


def _all_visible(scan: IndexScanNode, reckoned: ReckonedTree, facts: JoinFacts) -> float:
    """The share of pages that an index-only scan did not have to look at; 0 for other scans."""
    if scan.node_type != "Index Only Scan":
        return 0.0
    count = reckoned.counts[facts.inner.scan or 0]
    if not scan.heap_fetches or not count.actual:
        return 1.0
    return max(1.0 - float(scan.heap_fetches) / count.actual, 0.0)
