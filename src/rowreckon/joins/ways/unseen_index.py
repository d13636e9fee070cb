"""Ways that the plan alone can't show: an index that may exist. What they cost at least follows from the choice itself.

The planner took the executed method, so at its estimates no other way was more than 1% cheaper. From there a way's cost
moves within limits: more outer rows cost at least their own processing, fewer save at most their share. Merge joins
over an ordered index are left out: they gain on a hash join only where far fewer rows come than were to be sorted.
"""

from __future__ import annotations

from collections.abc import Callable
from math import ceil, expm1, inf, isfinite, log1p, log2
from typing import NamedTuple

from rowreckon.cost import STD_FUZZ_FACTOR, CostSettings, index_pages_fetched
from rowreckon.cost.capabilities import has_memoize, has_skip_scan
from rowreckon.document.audit import Method
from rowreckon.frozen import frozen
from rowreckon.joins.facts.inputs import TURNED_KIND, JoinInput, Point
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.known_relation import KnownRelation, UnpricedIndex
from rowreckon.joins.facts.sides import Side
from rowreckon.joins.facts.wanted_above import fetched_fraction

_UNSEEN = "the plan does not tell whether there is an index on the {} side's join columns"

_FULL_LEAF, _MOST_FANOUT = 1358.0, 407.0
"""Entries of a B-tree leaf where all share one key (nbtdedup.c), and keys of eight bytes on an inner page, at most."""

_PAGE_CPU, _MOST_COMPARISONS = 50.0, 24.0
"""Operators that a page of a descent is charged for, and comparisons of one through sixteen million entries."""

SEARCHED_INNER = ("Inner", "Left", "Semi", "Anti")
SEARCHED_OUTER = ("Inner", "Right", "Right Semi", "Right Anti")
"""The joins of which a nested loop may search the inner or the outer side."""

_HALVINGS = 40
_FINDS_ALL = ("Inner", "Left", "Right")
"""The joins whose loop goes through all rows that a search finds."""

_MOST_MATCHES = 20.0
"""Rows that a row finds at most where a semijoin's plan does not tell (common practice, no source)."""


@frozen
class UnseenWay:
    """A way that may exist, or exists without a price, with what it costs at least at a point (planner cost); `reason`
    says why it leaves a verdict open."""

    method: Method
    reason: str
    low: Callable[[Point], float]


def unseen_ways(
    case: JoinAtHand, join: JoinInput, executed_cost: float, excluded: dict[Method, str]
) -> tuple[UnseenWay, ...]:
    """What an index on either side's join columns could have brought, where neither the choice nor a schema file rules
    it out."""
    settings, facts = case.settings, case.facts
    equality = any(c.operator == "=" for c in join.clauses)
    if not equality or not join.outer_paths:
        return ()
    expected = Point(join.outer.rows, join.inner.rows)
    found: list[UnseenWay] = []
    if "nested_loop" not in excluded and not facts.inner.parameterised:
        outer_cost = join.outer_paths[0].path.total_cost
        known, told = join.executed_inner is not None, join.turned_inner is not None
        may_find = facts.inner.scan is not None and not known and not case.no_index_finds(facts.inner)
        if facts.kind in SEARCHED_INNER and may_find:
            bound = executed_cost / _fuzz(case, facts.outer.child)
            per_outer = facts.output_rows / max(facts.outer.planner_rows, 1.0)
            if not _ruled_out(settings, bound, outer_cost, join.outer.rows / join.processes, per_outer):
                entries = max(join.inner.rows, *(c.inner.relation_tuples for c in join.clauses))
                swept = case.indexes_are_swept(facts.inner)
                stops = facts.kind in ("Semi", "Anti")
                again = case.descents(facts.inner)
                search = _least_search(settings, entries, swept=swept, stops=stops, descents=again)
                searched = _searched(case, join, entries, search, (facts.inner, facts.outer), turned=False)
                low = _driven(settings, bound, outer_cost, expected, searched, join.processes, turned=False)
                found.append(UnseenWay("nested_loop", _UNSEEN.format("inner"), low))
        may_find = facts.outer.scan is not None and not told and not case.no_index_finds(facts.outer)
        if facts.kind in SEARCHED_OUTER and may_find:
            shared = [p.path.total_cost for p in join.inner.partial_paths] if join.workers else []
            inner_cost = min([*shared, *(p.path.total_cost for p in join.inner.paths[:1])], default=0.0)
            processes = join.processes if shared else 1.0
            per_inner = facts.output_rows / max(join.inner.rows, 1.0)
            bound = executed_cost / _fuzz(case, facts.inner.node)
            if not _ruled_out(settings, bound, inner_cost, join.inner.rows / processes, per_inner):
                entries = max(join.outer.rows, *(c.outer.relation_tuples for c in join.clauses))
                swept, again = case.indexes_are_swept(facts.outer), case.descents(facts.outer)
                search = _least_search(settings, entries, swept=swept, descents=again)
                searched = _searched(case, join, entries, search, (facts.outer, facts.inner), turned=True)
                low = _driven(settings, bound, inner_cost, expected, searched, processes, turned=True)
                found.append(UnseenWay("nested_loop", _UNSEEN.format("outer"), low))
    return tuple(found)


def _fuzz(case: JoinAtHand, driver: int) -> float:
    """By what factor a loop driven by a node may have been cheaper at the estimates than the join taken.

    Of two paths that cost the same within 1% the one that starts sooner is kept (compare_path_costs_fuzzily in
    optimizer/util/pathnode.c). Below a Gather, or where a part of the rows is wanted, only totals count, or less.
    """
    tree = case.reckoned.tree
    startup, begun = tree.nodes[case.facts.node].startup_cost, tree.nodes[driver].startup_cost
    whole = not case.facts.workers and fetched_fraction(tree, case.facts.node) == 1.0
    if startup is None or begun is None or not whole:
        return STD_FUZZ_FACTOR
    descent = case.settings.cpu_operator_cost * (3 * _PAGE_CPU + _MOST_COMPARISONS)
    return 1.0 if float(startup) > STD_FUZZ_FACTOR * (float(begun) + descent) else STD_FUZZ_FACTOR


def unpriced_ways(
    settings: CostSettings, join: JoinInput, executed_cost: float, excluded: dict[Method, str]
) -> tuple[UnseenWay, ...]:
    """What the catalog's indexes of either side could bring that have no price here: those of other access methods, or
    with a predicate that nothing is known to imply. The planner knew them when it chose."""
    if "nested_loop" in excluded or not join.outer_paths:
        return ()
    bound = executed_cost / STD_FUZZ_FACTOR
    found: list[UnseenWay] = []
    for turned in (False, True):
        kinds = SEARCHED_OUTER if turned else SEARCHED_INNER
        driver, inner = (join.inner, join.outer) if turned else (join.outer, join.inner)
        index = _unpriced_index(join, inner.relation, turned=turned) if inner.single else None
        if index is None or join.kind not in kinds:
            continue
        cost = driver.paths[0].path.total_cost if driver.paths else 0.0
        search = _Search(_least_search(settings, inner.rows))
        expected = Point(join.outer.rows, join.inner.rows)
        low = _driven(settings, bound, min(cost, bound), expected, search, 1.0, turned=turned)
        reason = f"a nested loop over {index.kind}, {index.name}, has no price here"
        found.append(UnseenWay("nested_loop", reason, low))
    return tuple(found)


def _searched(
    case: JoinAtHand, join: JoinInput, entries: float, search: float, sides: tuple[Side, Side], *, turned: bool
) -> _Search:
    """What searches of the index of one of two `sides`, driven by the other's rows, cost at least. One with a predicate
    may hold just what the side's own conditions leave; a join that stops at the first match is charged for a share of
    pages and of rows."""
    settings, (side, driver) = case.settings, sides
    if join.kind not in _FINDS_ALL:
        return _Search(search)
    node = case.reckoned.tree.nodes[side.node]
    whole = node.node_type == "Seq Scan" and not getattr(node, "filter", None)
    held = entries if whole else max(side.planner_rows, 1.0)
    kind = TURNED_KIND.get(join.kind) if turned else join.kind
    keys: Callable[[float], float] | None = None
    if has_memoize(settings.server_major) and settings.enable_memoize and kind in ("Inner", "Left"):
        keys = case.fewest_keys.get(driver.scan, _one) if driver.scan is not None else _one
    return _Search(search, ceil(held / _FULL_LEAF) + 1.0, join.output_rows * join.processes, keys)


def _unpriced_index(join: JoinInput, relation: KnownRelation | None, *, turned: bool) -> UnpricedIndex | None:
    """The first index without a price that a join clause could search."""
    if relation is None:
        return None
    keys = [c.outer if turned else c.inner for c in join.clauses]
    texts = {text for key in keys for text in (key.column, _bare(key.text, relation.alias)) if text}
    return next((index for index in relation.unpriced if texts & set(index.keys)), None)


def _bare(text: str, alias: str) -> str:
    return text.replace(f"{alias}.", "").strip("() ")


def _ruled_out(settings: CostSettings, bound: float, driver_cost: float, loops: float, per_row: float) -> bool:
    """Whether an index would have been taken, had it been there: even its dearest use would have cost less.

    From 18 on one whose first column is not compared may serve as well, by as many descents as that has values.
    """
    if has_skip_scan(settings.server_major):
        return False
    return driver_cost + loops * dearest_search(settings, per_row) < bound


def dearest_search(settings: CostSettings, found: float) -> float:
    """What one search of a B-tree for so many rows costs at most, each page read anew (planner cost)."""
    descent = settings.cpu_operator_cost * (3 * _PAGE_CPU + _MOST_COMPARISONS)
    return 2.0 * settings.random_page_cost + descent + _dearest_rows(settings, found)


def _dearest_rows(settings: CostSettings, found: float) -> float:
    row = settings.cpu_tuple_cost * 2.0 + settings.cpu_index_tuple_cost + 4.0 * settings.cpu_operator_cost
    return (settings.random_page_cost + row) * ceil(max(found, 1.0)) if isfinite(found) else inf


def least_descents(settings: CostSettings, cost: float, found: float) -> float:
    """How often a search that costs so much goes down its index at least, where that skips from value to value of its
    first column (18): each time for a page, and for its share of the rows found."""
    once = settings.random_page_cost + settings.cpu_operator_cost * (50.0 + 20.0)
    return max((cost - _dearest_rows(settings, found)) / once, 1.0)


class _Search(NamedTuple):
    """What searches of an unseen index cost at least: one by its processing, all of them by the different `pages` of
    the index that they read, and each pair that they find; `pairs` are found at the estimates. All in planner cost.

    `keys` tells how many different keys there are at least among so many rows of the driving side, where a Memoize may
    search for each of them once; None where none can.
    """

    once: float
    pages: float = 0.0
    pairs: float = 0.0
    keys: Callable[[float], float] | None = None

    def looked_up_again(self, spent: float, expected: float, rows: float) -> float:
        """What it costs to search for the different keys among `rows`, fewer than the `expected` ones that were to
        cost so much at least (`spent`): few keys make each search as dear as it takes, and are soon all met."""
        if self.keys is None or spent <= self.once or spent >= self.once * expected:
            return 0.0
        few, many = 1.0, expected * expected
        for _ in range(_HALVINGS):
            middle = (few * many) ** 0.5
            few, many = (middle, many) if _met(middle, expected) * self.once < spent else (few, middle)
        return _met(few, rows) * self.once

    def per_hit(self, settings: CostSettings) -> float:
        """What a row costs whose key was searched for before."""
        return settings.cpu_tuple_cost + 2.0 * settings.cpu_operator_cost if self.keys is not None else 0.0

    def cost(self, settings: CostSettings, rows: float, processes: float) -> float:
        """What one of so many processes that share the driving rows spends on searches at least."""
        loops = rows / processes
        looked_up = loops if self.keys is None else min(self.keys(rows) / processes, loops)
        pages = index_pages_fetched(settings, looked_up, self.pages, self.pages, 0.0) if self.pages else 0.0
        return looked_up * self.once + loops * self.per_hit(settings) + settings.random_page_cost * max(pages, 2.0)


def _one(rows: float) -> float:
    return min(rows, 1.0)


def _met(keys: float, rows: float) -> float:
    """How many of so many equally frequent keys are among so many rows (Yao's formula for a table without an end)."""
    return keys * -expm1(rows * log1p(-1.0 / keys)) if keys > 1.0 else 1.0


def _driven(
    settings: CostSettings,
    bound: float,
    driver_cost: float,
    expected: Point,
    search: _Search,
    processes: float,
    *,
    turned: bool,
) -> Callable[[Point], float]:
    """A nested loop driven by one side, whose rows `processes` share.

    It costs at least the descents and rows of all executions, the index pages that these read and the rows that it
    puts out; above the estimate also what it cost there at least plus what more of them add, below it also its share
    of that.
    """
    rows_expected = expected.inner if turned else expected.outer

    def low(point: Point) -> float:
        rows = point.inner if turned else point.outer
        grown = point.outer / max(expected.outer, 1.0) * point.inner / max(expected.inner, 1.0) * point.ratio
        found = settings.cpu_tuple_cost * search.pairs / processes
        physical = driver_cost + search.cost(settings, rows, processes) + found * grown
        if rows >= rows_expected:
            further = search.cost(settings, rows, processes) - search.cost(settings, rows_expected, processes)
            further -= settings.random_page_cost  # pages are rounded up
            return max(physical, bound + max(further, 0.0) + found * max(grown - 1.0, 0.0))
        share = rows / max(rows_expected, 1.0)
        hits = search.per_hit(settings) * rows_expected / processes
        spent = bound - driver_cost - hits - found
        again = search.looked_up_again(spent, rows_expected / processes, rows / processes)
        kept = driver_cost + again + hits * share + found * min(grown, 1.0)
        return max(physical, kept, driver_cost + max(bound - driver_cost, 0.0) * share)

    return low


def _least_search(
    settings: CostSettings, tuples: float, *, swept: bool = False, stops: bool = False, descents: float = 1.0
) -> float:
    """What one search of an index of so many entries costs at least.

    `swept` says that its first column is not asked for: all entries are visited, from 18 on each value of that column
    may be searched for instead, by so many `descents` at least (btcostestimate in utils/adt/selfuncs.c). A join
    that `stops` at the first match is charged for a share of that (final_cost_nestloop in optimizer/path/costsize.c).
    """
    levels = 1.0 if tuples < _FULL_LEAF else 2.0 if tuples < _MOST_FANOUT * _FULL_LEAF else 3.0
    descent = settings.cpu_operator_cost * (50.0 * levels + log2(max(tuples, 2.0)))
    per_entry = settings.cpu_index_tuple_cost + settings.cpu_operator_cost
    once = descent + per_entry + settings.cpu_tuple_cost
    if not swept:
        return once
    whole = per_entry * tuples
    if has_skip_scan(settings.server_major):
        whole = min(whole, settings.cpu_operator_cost * (50.0 + log2(max(tuples, 2.0))) * descents)
    return max(once, whole / (_MOST_MATCHES if stops else 1.0))
