"""What a plan tells of a nested loop's inner side: the cost of one execution, and how it changes with their number.

The printed cost per execution is rounded to a cent, which thousands of executions multiply; the join's own total cost
gives it back more exactly. With more executions pages are shared (Mackert-Lohman): how many depends on the relation's
size, which `relation_sizes` bounds.
Source: initial_cost_nestloop and final_cost_nestloop in optimizer/path/costsize.c; get_loop_count in
optimizer/path/indxpath.c; releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import ceil, floor, log
from typing import NamedTuple

from rowreckon.cost import CostSettings
from rowreckon.cost.units import clamp_row_est
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.joins.facts.sides import JoinFacts, Side
from rowreckon.joins.from_plan.choice_bound import InnerScan, weighed_sizes
from rowreckon.joins.from_plan.pages_cost import pages_cost
from rowreckon.joins.from_plan.relation_sizes import (
    Charged,
    SizeGuess,
    bitmap_sizes,
    fewest_tuples,
    possible_sizes,
    seen_sizes,
    tree_levels,
)
from rowreckon.joins.from_plan.row_shape import RowShape, row_shape
from rowreckon.joins.from_plan.swept_index import swept_sizes
from rowreckon.joins.from_plan.whole_table_scans import RelationEvidence
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import BitmapHeapScanNode, BitmapIndexScanNode, GatherNode, IndexScanNode, ScanNode
from rowreckon.plan.tree import alias_of

_ROUNDING = 0.0051
_LEAST_PRECISE = 0.01
_MOST_CANDIDATES = 16
_ENOUGH_ROWS = 20.0
_SEVERAL = 1.5
_ENOUGH_OUTPUT = 4.0
_LEAST_KEPT = 0.01
_MORE_KEPT = 2.0
"""How many times more rows may pass a filter than the planner expects (common practice, no source)."""
_WIDEST_KEY = 64
_MOST_MATCHES = 20.0
"""How many times more rows a key may have than were read until the first match (common practice, no source)."""
_LEAST_SCANNED = 0.8
"""The share of a scan that is read for a row with a match where an average of one and a half match."""


@frozen
class Loops:
    """How often the planner took the inner side to be scanned, and how that moves with the join's outer rows.

    `rows` are those of the smallest relation that supplies a parameter, one of `whole` where the plan prints the share
    of one process. `exponent` is 1 where they are the outer side's own; where that is a join, they grow as this power
    of its rows.
    """

    rows: float
    outer_rows: float
    exponent: float
    whole: tuple[float, ...] = ()

    def at(self, outer_rows: float) -> float:
        """Executions that are reckoned with at so many outer rows (of one process)."""
        moved = outer_rows / self.outer_rows
        if self.exponent != 1.0:
            moved = float(max(moved, 1e-9) ** self.exponent)
        return max(self.rows * moved, 1.0)


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


def loop_evidence(
    settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, relations: RelationEvidence
) -> LoopEvidence | None:
    """The evidence for an executed nested loop with a parameterised inner side; None where costs are missing."""
    tree = reckoned.tree
    top, join, outer = tree.nodes[facts.inner.child], tree.nodes[facts.node], tree.nodes[facts.outer.child]
    if top.total_cost is None or top.startup_cost is None or join.total_cost is None or outer.total_cost is None:
        return None
    rows, calls = max(facts.inner.planner_rows, 1.0), max(facts.outer.planner_rows, 1.0)
    printed = float(top.total_cost)
    scan = tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    quals = filters = own = 0
    kept = share = 1.0
    if isinstance(scan, ScanNode):
        index_cond = _index_cond(reckoned, facts)
        quals = len(parse_condition(index_cond).clauses) if index_cond is not None else 0
        filters = len(parse_condition(scan.filter).clauses) if scan.filter else 0
        own = max(filters - sum(1 for c in facts.clauses if c.place == "scan_filter"), 0)
        # conditions of the join among them are none of the relation's own: each is taken to keep an equal share
        share = _kept(facts, scan) if filters else 1.0
        kept = share ** (own / filters) if own else 1.0
    solved, play = _solved(settings, reckoned, facts, printed, kept)
    believable = abs(solved - printed) <= _ROUNDING + play
    total = solved if believable or facts.inner.memoized else printed
    candidates = _found(reckoned, facts, rows)
    found = candidates[0] if len(candidates) == 1 else max(rows / share, 1.0)
    loops = loops_of(reckoned, facts)
    visible = _all_visible(scan, reckoned, facts) if isinstance(scan, IndexScanNode) else 0.0
    sizes: list[SizeGuess] = []
    if isinstance(scan, ScanNode):
        shape = _shape(reckoned, facts, scan, found)
        seen = relations.of(scan)
        if seen is not None:
            sizes = seen_sizes(seen, shape)
        elif loops is not None:
            cost = (solved, play) if believable and not facts.inner.memoized else None
            asked = Asked(max(quals, 1), filters, loops.rows, visible, loops.whole)
            sizes = _sizes(settings, reckoned, facts, scan, shape, cost, candidates, asked)
            executed = _executed(
                settings,
                float(scan.startup_cost or 0.0),
                total,
                loops,
                visible,
                bitmap=isinstance(scan, BitmapHeapScanNode),
            )
            inner = InnerScan(own, kept, visible > 0.0, executed)
            sizes = weighed_sizes(settings, reckoned, facts, sizes, inner)
    return LoopEvidence(
        total=max(total, 0.0),
        startup=float(top.startup_cost),
        exact=_ROUNDING / max(printed, _ROUNDING) <= _LEAST_PRECISE and not facts.inner.memoized,
        found=found,
        kept=kept,
        quals=max(quals, 1),
        own_quals=own,
        loops=loops or Loops(calls, calls, 1.0),
        index_only=scan is not None and scan.node_type == "Index Only Scan",
        allvisfrac=visible,
        sizes=tuple(sizes),
        range_quals=_range_quals(reckoned, facts) or 0,
    )


def _executed(
    settings: CostSettings, startup: float, total: float, loops: Loops, allvisfrac: float, *, bitmap: bool
) -> Callable[[SizeGuess], Callable[[float], float]]:
    """What one execution costs by the outer rows, in a world of some size, where it was reckoned to cost `total`."""

    def executed(guess: SizeGuess) -> Callable[[float], float]:
        read = pages_cost(settings, guess, allvisfrac, bitmap=bitmap)
        rest = max(total - read(loops.rows), startup)  # which a rounded number of executions could make less
        return lambda outer_rows: rest + read(loops.at(outer_rows))

    return executed


def _solved(
    settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, printed: float, kept: float
) -> tuple[float, float]:
    """One execution's cost by the join's total, and how far either way two printed decimals leave it."""
    tree = reckoned.tree
    join, outer = tree.nodes[facts.node], tree.nodes[facts.outer.child]
    rows, calls = max(facts.inner.planner_rows, 1.0), max(facts.outer.planner_rows, 1.0)
    beyond = float(join.total_cost or 0.0) - float(outer.total_cost or 0.0)
    play = 2.0 * _ROUNDING / calls
    if facts.kind in ("Semi", "Anti"):
        return _solved_stopping(settings, facts, printed, beyond, play)
    if facts.inner_unique:
        # next to no outer row is taken to match: all but the first are charged as unmatched, that one next to nothing
        # of the inner rows that pass its own filter as many match the first (compute_semi_anti_join_factors)
        fewest = fewest_tuples(settings, float(tree.nodes[facts.inner.child].startup_cost or 0.0))
        fewest = max(fewest * kept / _MORE_KEPT, 1.0) if kept < 1.0 else fewest
        if facts.output_rows >= 0.5 * fewest:
            return printed, _ROUNDING
        if any(c.place != "index" for c in facts.clauses):  # the rows that it finds are looked at
            beyond -= settings.cpu_tuple_cost * rows * calls
        return beyond / calls, play + 2.0 * printed / fewest / calls
    at_join = sum(1 for c in facts.clauses if c.place == "filter")
    per_pair = settings.cpu_tuple_cost + settings.cpu_operator_cost * at_join
    return beyond / calls - per_pair * rows, play


def _solved_stopping(
    settings: CostSettings, facts: JoinFacts, printed: float, beyond: float, play: float
) -> tuple[float, float]:
    """As `_solved` for a loop that stops at the first match, where its index finds a row or none.

    What is read for a row with a match is 2 ÷ (matches + 1) of a scan, matches being one to one and a half then. That
    it is the whole scan shows by the two totals agreeing; where they would anyhow, either may be.
    """
    calls = max(facts.outer.planner_rows, 1.0)
    if facts.inner.planner_rows > 1.0 or any(c.place not in ("index", "filter") for c in facts.clauses):
        return printed, _ROUNDING
    output = facts.output_rows
    matched = min(output, calls) if facts.kind == "Semi" else max(calls - output, 0.0)
    at_join = sum(1 for c in facts.clauses if c.place == "filter")
    per_match = settings.cpu_tuple_cost + settings.cpu_operator_cost * at_join
    total = (beyond - per_match * matched) / calls
    play += (printed + per_match) / calls if matched <= 1.0 else per_match / calls
    hidden = (1.0 - _LEAST_SCANNED) * printed * matched / calls
    if hidden > 2.0 * _ROUNDING:
        return total, play
    return total + hidden / 2.0, play + hidden / 2.0


def _kept(facts: JoinFacts, scan: ScanNode) -> float:
    """The share of the rows found that the scan's own filter keeps.

    Over a unique index the join's estimate tells it: each outer row finds one row. Elsewhere it is as it came, where
    rows per execution are printed rounded; the join's output tells them more exactly.
    """
    if facts.inner_unique and facts.output_rows >= _ENOUGH_OUTPUT:
        return min(max(facts.output_rows / max(facts.outer.planner_rows, 1.0), _LEAST_KEPT), 1.0)
    came, gone = float(scan.actual_rows or 0.0), float(scan.rows_removed_by_filter or 0.0)
    if facts.kind == "Inner" and facts.output_actual and facts.outer.actual_rows:
        came = max(facts.output_actual / facts.outer.actual_rows, came - 0.5)
    return max(came / (came + gone), _LEAST_KEPT) if came + gone > 0 else 1.0


class Asked(NamedTuple):
    """What an inner scan was asked: quals of its index and of its filter, executions (one of `whole` where the plan
    prints a share of them), and the share of all-visible pages."""

    quals: int
    filters: int
    loops: float
    visible: float
    whole: tuple[float, ...]


def _sizes(
    settings: CostSettings,
    reckoned: ReckonedTree,
    facts: JoinFacts,
    scan: ScanNode,
    shape: RowShape,
    cost: tuple[float, float] | None,
    candidates: Sequence[float],
    asked: Asked,
) -> list[SizeGuess]:
    constants = _range_quals(reckoned, facts)
    if constants is None or (constants and isinstance(scan, BitmapHeapScanNode)):
        return []
    printed, startup = float(scan.total_cost or 0.0), float(scan.startup_cost or 0.0)
    middle, play = (printed, _ROUNDING) if cost is None else cost
    per_heap_row = settings.cpu_tuple_cost + settings.cpu_operator_cost * asked.filters
    if isinstance(scan, BitmapHeapScanNode):
        found = candidates[0]
        heap = middle - startup - found * (per_heap_row + settings.cpu_operator_cost * asked.quals)
        play += _ROUNDING
        return bitmap_sizes(settings, shape, (heap - play, heap + play), found, asked.loops)
    per_row = settings.cpu_index_tuple_cost + settings.cpu_operator_cost * asked.quals + per_heap_row
    readings = [
        Charged(
            least=max(middle - play, printed - _ROUNDING),
            most=min(middle + play, printed + _ROUNDING),
            startup=startup,
            cpu=found * per_row,
            found=found,
            loops=loops,
            unseen=1.0 - asked.visible,
            orders=_orders(settings, reckoned, facts, scan, found),
        )
        for found in candidates
        for loops in asked.whole or (asked.loops,)
    ]
    found_by_key = possible_sizes(settings, readings, shape) if not constants else []
    if found_by_key:
        return found_by_key
    per_entry = settings.cpu_index_tuple_cost + settings.cpu_operator_cost * asked.quals
    swept = swept_sizes(settings, readings, shape, per_entry, ranged=bool(constants))
    if swept or constants or not scan.filter or facts.inner_unique:  # of a unique key one row is found, by whatever
        return swept
    # statistics that expect far more or fewer rows of a key than came
    most = max((middle - startup) / per_row, 1.0)
    return possible_sizes(settings, [replace(readings[0], cpu=n * per_row, found=n) for n in _spread(most)], shape)


def _orders(
    settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, scan: ScanNode, found: float
) -> tuple[float, ...]:
    """Whether the table keeps the index's order, by the blocks that came: rows of one key on one page, or scattered.

    A scan asks for a block of each level of the index, and for a table page only where it differs from the last row's.
    """
    if found <= 1.0 or scan.node_type == "Index Only Scan":
        return (0.0,)
    fewest, most = _came_per_scan(facts, scan)
    if scan.shared_hit_blocks is None or scan.shared_read_blocks is None or fewest * scan.loops < _ENOUGH_ROWS:
        return (0.0, 1.0)
    levels = tree_levels(settings, float(scan.startup_cost or 0.0)) + 1.0
    blocks = (float(scan.shared_hit_blocks) + float(scan.shared_read_blocks)) / scan.loops - levels
    half = (1.0 + 1.0 / found) / 2.0
    if fewest < _SEVERAL or fewest * half <= blocks < most * half:
        return (0.0, 1.0)
    # rows of one key may lie together while the keys come in any order
    return (1.0, 0.0) if blocks < fewest * half else (0.0,)


def _came_per_scan(facts: JoinFacts, scan: ScanNode) -> tuple[float, float]:
    """The rows that one execution looked at, at least and at most: averages are printed rounded."""
    came, gone = float(scan.actual_rows or 0.0), float(scan.rows_removed_by_filter or 0.0)
    rounding = 0.5 if scan.loops > 1 and came.is_integer() and gone.is_integer() else 0.0
    least, most = max(came - rounding, 0.0), came + rounding
    exact = facts.outer.actual_rows and facts.output_actual is not None and not facts.inner.memoized
    if exact and facts.kind in ("Inner", "Semi", "Anti") and all(c.place != "filter" for c in facts.clauses):
        put_out = (facts.output_actual or 0.0) / (facts.outer.actual_rows or 1.0)
        least = most = 1.0 - put_out if facts.kind == "Anti" else put_out  # a semijoin's scan ends with the first row
    return least + max(gone - rounding, 0.0), most + gone + (rounding if scan.filter else 0.0)


def _found(reckoned: ReckonedTree, facts: JoinFacts, rows: float) -> list[float]:
    """How many rows the planner can have expected the index to find for one outer row, the likely number first.

    Without a filter of the scan's own these are its rows. With one, what was found and what it removed tell roughly.
    """
    tree = reckoned.tree
    scan = tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    if facts.inner_unique or not isinstance(scan, ScanNode):
        return [1.0]
    if isinstance(scan, BitmapHeapScanNode) and tree.inputs(facts.inner.scan or 0):
        below = tree.nodes[tree.inputs(facts.inner.scan or 0)[0]]
        return [clamp_row_est(float(below.plan_rows or rows))]
    if not scan.filter:
        return [clamp_row_est(rows)]
    came, gone = float(scan.actual_rows or 0.0), float(scan.rows_removed_by_filter or 0.0)
    if facts.kind in ("Semi", "Anti"):  # a scan ends at the first row that matches: what came tells the fewest
        likely = max(clamp_row_est(came + gone), rows)
        return [likely, *(n for n in _spread(_MOST_MATCHES * likely) if n >= rows and n != likely)]
    least = max(rows, float(floor(max(came - 0.5, 0.0) + max(gone - 0.5, 0.0))), 1.0)
    most = max(2.0 * (came + gone + 1.0), least)  # outer rows that find nothing halve the average, at most
    step = max(ceil((most - least) / _MOST_CANDIDATES), 1)
    likely = min(max(clamp_row_est(came + gone), least), most)
    return [likely, *(n for n in range_of(least, most, step) if n != likely)]


def _spread(most: float) -> list[float]:
    """Whole numbers up to `most`, further apart the larger they are."""
    found, step = [1.0], 1.0
    while found[-1] + step <= most and len(found) < _MOST_CANDIDATES:
        found.append(found[-1] + step)
        step = max(float(floor(found[-1] / 4.0)), 1.0)
    return found


def range_of(least: float, most: float, step: float) -> list[float]:
    """Whole numbers from one to the other."""
    return [float(n) for n in range(ceil(least), floor(most) + 1, int(step))]


def loops_of(reckoned: ReckonedTree, facts: JoinFacts) -> Loops | None:
    """Executions that the planner reckoned a scan for; None where the plan does not tell."""
    tree, calls = reckoned.tree, max(facts.outer.planner_rows, 1.0)
    if facts.outer.scan is not None or isinstance(tree.nodes[facts.outer.node], GatherNode):
        shares = facts.outer.processes
        whole = _whole(calls, shares) if shares > 1.0 and facts.outer.scan is not None else ()
        return Loops(max(calls * shares, 1.0), calls, 1.0, whole)
    wanted = {c.outer_alias for c in facts.clauses if c.inner_node is not None or not facts.inner.parameterised}
    best: tuple[float, float | None] | None = None
    for number in tree.subtree(facts.outer.node):
        node = tree.nodes[number]
        if not isinstance(node, ScanNode) or alias_of(node) not in wanted:
            continue
        count = reckoned.counts[number]
        if (count.planned_loops or 1.0) > 1.0:
            return None  # its rows are those of one execution
        rows = float(node.plan_rows or 1.0) * reckoned.parallelism.divisor(tree, number)
        if best is None or rows < best[0]:
            best = (rows, count.actual if count.state == "exact" else None)
    if best is None:
        return None
    return Loops(max(best[0], 1.0), calls, _exponent(facts, *best))


def _whole(share: float, processes: float) -> tuple[float, ...]:
    """Whole row counts of which each process is reckoned to get so many (clamp_row_est)."""
    least = 1 if share <= 1.0 else ceil((share - 0.5) * processes)
    most = max(floor((share + 0.5) * processes), least)
    step = max(ceil((most - least) / _MOST_CANDIDATES), 1)
    return tuple(range_of(float(least), float(most), step))


def _exponent(facts: JoinFacts, rows: float, actual: float | None) -> float:
    """How the rows of the relation that gives parameters moved, as a power of how the outer side's did."""
    came, expected = facts.outer.actual_rows, facts.outer.planner_rows
    if not actual or not came or not expected or abs(log(came / expected)) < _LEAST_PRECISE:
        return 0.0
    return min(max(log(actual / rows) / log(came / expected), 0.0), 0.999)


def _index_cond(reckoned: ReckonedTree, facts: JoinFacts) -> str | None:
    """The condition of the one index that finds the inner rows."""
    tree = reckoned.tree
    scan = tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    if isinstance(scan, BitmapHeapScanNode) and facts.inner.scan is not None and tree.inputs(facts.inner.scan):
        scan = tree.nodes[tree.inputs(facts.inner.scan)[0]]
    return scan.index_cond if isinstance(scan, (IndexScanNode, BitmapIndexScanNode)) else None


def _range_quals(reckoned: ReckonedTree, facts: JoinFacts) -> int | None:
    """The conditions of the index that compare with no outer column; None where another than an equality does."""
    text = _index_cond(reckoned, facts)
    if text is None:
        return None
    joined = {c.text: c.is_equality for c in facts.clauses if c.place == "index"}
    told = [joined.get(clause.text) for clause in parse_condition(text).clauses]
    return None if False in told or True not in told else told.count(None)


def _all_visible(scan: IndexScanNode, reckoned: ReckonedTree, facts: JoinFacts) -> float:
    """The share of pages that an index-only scan did not have to look at; 0 for other scans."""
    if scan.node_type != "Index Only Scan":
        return 0.0
    count = reckoned.counts[facts.inner.scan or 0]
    if not scan.heap_fetches or not count.actual:
        return 1.0
    return max(1.0 - float(scan.heap_fetches) / count.actual, 0.0)


def _shape(reckoned: ReckonedTree, facts: JoinFacts, scan: ScanNode, per_key: float) -> RowShape:
    whole = not facts.inner.memoized and scan.node_type in ("Index Scan", "Bitmap Heap Scan", "Index Only Scan")
    return shape_of(reckoned, facts, facts.inner, per_key, whole=whole)


def shape_of(reckoned: ReckonedTree, facts: JoinFacts, side: Side, per_key: float, *, whole: bool) -> RowShape:
    """Rows per page of a side's relation and entries per page of an index on the join columns."""
    tree = reckoned.tree
    scan = tree.nodes[side.scan] if side.scan is not None else tree.nodes[side.node]
    needed: list[str] = []
    if whole:
        columns = (c.inner_column if side is facts.inner else c.outer_column for c in facts.clauses)
        needed = [*(tree.nodes[facts.node].output or ()), *(_qualified(c) for c in columns)]
    key_width = min(facts.inner.width or _WIDEST_KEY, facts.outer.width or _WIDEST_KEY)
    unique = facts.inner_unique and side is facts.inner
    several = not unique and sum(1 for c in facts.clauses if c.is_equality) > 1
    only = scan.node_type == "Index Only Scan"
    return row_shape(
        scan.output, needed, side.width, key_width, per_key, whole=whole, correlated=several, index_only=only
    )


def _qualified(column: object) -> str:
    table, name = getattr(column, "table", None), getattr(column, "column", None)
    return f"{table}.{name}"
