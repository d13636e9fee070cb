"""What the planner's choice tells of a relation's size: had it been smaller, a hash join would have been taken.

The planner keeps a path only while no other is more than 1% cheaper, and hash joins that build on either side were
weighed wherever a clause can be hashed. What the cheaper costs at a size bounds the size from below.
Source: add_path in optimizer/util/pathnode.c, hash_inner_and_outer in optimizer/path/joinpath.c, initial_cost_hashjoin
and final_cost_hashjoin in optimizer/path/costsize.c; releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from rowreckon.cost import STD_FUZZ_FACTOR, CostSettings
from rowreckon.cost.capabilities import has_right_anti_join, has_right_semi_join
from rowreckon.cost.units import page_size, relation_byte_size
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.permitted_methods import can_hash
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.facts.wanted_above import fetched_fraction
from rowreckon.joins.from_plan.relation_sizes import SizeGuess, between, scan_cost

_STEPS = 8
_NEAR = 1.05
_MOST_ROWS = 1e9
_PER_BUCKET = 1.0
"""Outer rows that share a key: more would make a hash join dearer and leave room for smaller sizes, which is what the
model's bounds on buckets are for.
"""
_OVERHEAD = 1.5
"""Memory of a hash table over its rows' own bytes, at most (ExecChooseHashTableSize)."""


class InnerScan(NamedTuple):
    """A scan of the inner side: its own quals, the share of rows that they keep, and whether the index holds all.

    `executed` tells what an execution costs at a size, by the join's outer rows (planner rows of one process).
    """

    own_quals: int
    kept: float
    index_only: bool
    executed: Callable[[SizeGuess], Callable[[float], float]]


def weighed_sizes(case: JoinAtHand, sizes: Sequence[SizeGuess], scan: InnerScan) -> list[SizeGuess]:
    """Of the corners of what is possible: a size in the middle, and those where a hash join takes over first and last.

    A smaller relation makes both methods cheaper, more index pages the executed one dearer. Where sizes differ in how
    many entries an execution visits, also those with the fewest and the most.

    Sizes at which a hash join would have been taken are left out; all of them stay where they all are such, as some
    assumption does not hold then. Empty where none is possible.
    """
    settings = case.settings
    if not sizes:
        return []
    beyond = _beyond(settings, case.facts, scan)
    bound = _least_together(case)
    probed = 1.5 * settings.cpu_operator_cost * scan.kept

    def cost(guess: SizeGuess) -> float:
        return scan_cost(settings, guess, index_only=scan.index_only)

    def hashed(guess: SizeGuess) -> float:
        return cost(guess) + probed * guess.tuples

    groups = [_corners(group, hashed) for group in _alike(sizes)]
    if bound is not None:
        rows_expected = max(case.facts.outer.planner_rows, 1.0)

        def fits(guess: SizeGuess) -> bool:
            return cost(guess) + beyond(guess, rows_expected) >= bound

        groups = [kept for group in groups if (kept := _clipped(group, fits))] or groups
    sizes = [size for group in groups for size in group]
    outer = float(case.reckoned.tree.nodes[case.facts.outer.child].total_cost or 0.0)

    def first(guess: SizeGuess) -> float:
        scanned = outer + cost(guess)
        return _overtaken(scan.executed(guess), outer, lambda rows: scanned + beyond(guess, rows))

    flips = {size: first(size) for size in dict.fromkeys(sizes)}
    low, high = min(flips, key=lambda size: flips[size]), max(flips, key=lambda size: flips[size])
    chosen = [_middle(sizes, (hashed(low) * hashed(high)) ** 0.5, hashed), low, high]
    fewest, most = min(sizes, key=_visits), max(sizes, key=_visits)
    if _visits(fewest) == _visits(most):
        return chosen
    return chosen + [size for size in (fewest, most) if size not in chosen]


def _overtaken(executed: Callable[[float], float], outer: float, hashed: Callable[[float], float]) -> float:
    """The outer rows from which on a hash join costs so much less than a nested loop that starts sooner."""
    least, most = 1.0, _MOST_ROWS
    while most > least * _NEAR:
        middle = (least * most) ** 0.5
        over = outer + middle * executed(middle) >= STD_FUZZ_FACTOR * hashed(middle)
        least, most = (least, middle) if over else (middle, most)
    return most


def _visits(guess: SizeGuess) -> float:
    return max(guess.visited, guess.found)


def _middle(sizes: Sequence[SizeGuess], wanted: float, cost: Callable[[SizeGuess], float]) -> SizeGuess:
    """A size of that cost, between two that read the plan alike; the nearest where none is."""
    spans = [(min(group, key=cost), max(group, key=cost)) for group in _alike(sizes)]
    low, high = min(spans, key=lambda s: max(cost(s[0]) / wanted, wanted / cost(s[1]), 1.0))
    least, most = 0.0, 1.0
    for _ in range(_STEPS):
        part = (least + most) / 2.0
        least, most = (least, part) if cost(between(low, high, part)) >= wanted else (part, most)
    return between(low, high, most)


def _corners(sizes: Sequence[SizeGuess], cost: Callable[[SizeGuess], float]) -> list[SizeGuess]:
    """The smallest and largest in any respect."""
    respects: tuple[Callable[[SizeGuess], float], ...] = (
        cost,
        lambda g: g.tuples,
        lambda g: g.pages,
        lambda g: g.index_pages,
        _visits,
    )
    return list(dict.fromkeys(end(sizes, key=respect) for respect in respects for end in (min, max)))


def _alike(sizes: Sequence[SizeGuess]) -> list[list[SizeGuess]]:
    """The sizes by how they read the plan: what lies between others makes for another charge than was printed."""
    alike: dict[tuple[float, float], list[SizeGuess]] = {}
    for size in sizes:
        alike.setdefault((size.found, size.order), []).append(size)
    return list(alike.values())


def _clipped(sizes: list[SizeGuess], fits: Callable[[SizeGuess], bool]) -> list[SizeGuess]:
    """The sizes that fit, and the first that fit on the way to each of them from one that doesn't; empty if none do."""
    kept = [size for size in sizes if fits(size)]
    found = list(kept)
    for out in [size for size in sizes if size not in kept]:
        for inside in kept:
            least, most = 0.0, 1.0
            for _ in range(_STEPS):
                part = (least + most) / 2.0
                least, most = (least, part) if fits(between(out, inside, part)) else (part, most)
            found.append(between(out, inside, most))
    return found


def _least_together(case: JoinAtHand) -> float | None:
    """What a scan of the inner relation and a hash join beyond it cost at least; None where nothing tells."""
    settings, facts = case.settings, case.facts
    hashed = [c for c in facts.clauses if can_hash(c)]
    tree = case.reckoned.tree
    fraction = fetched_fraction(tree, facts.node)
    if not hashed or not settings.enable_hashjoin or facts.workers or facts.scale is None or fraction < 1.0:
        return None
    printed, outer = tree.nodes[facts.node].total_cost, tree.nodes[facts.outer.child].total_cost
    if printed is None or outer is None:
        return None
    return float(printed) / STD_FUZZ_FACTOR - float(outer) - settings.cpu_tuple_cost * facts.output_rows


def _beyond(settings: CostSettings, facts: JoinFacts, scan: InnerScan) -> Callable[[SizeGuess, float], float]:
    """What a hash join costs at least beyond the scans of its sides and without its output, at a size and by its outer
    rows."""
    operator = settings.cpu_operator_cost * max(sum(1 for c in facts.clauses if can_hash(c)), 1)

    def joined(built: float, width: int, probing: float, probing_width: int, matches: float) -> float:
        cost = (operator + settings.cpu_tuple_cost) * built + operator * probing * (1.0 + matches * 0.5)
        if relation_byte_size(built, width) * _OVERHEAD > settings.hash_mem_bytes:
            cost += settings.seq_page_cost * 2.0 * (page_size(built, width) + page_size(probing, probing_width))
        return cost

    inner_width, outer_width, turns = facts.inner.width, facts.outer.width, _turns(settings, facts.kind)

    def beyond(guess: SizeGuess, rows: float) -> float:
        inner = guess.tuples * guess.share * scan.kept
        cost = joined(inner, inner_width, rows, outer_width, guess.found)
        if turns:
            cost = min(cost, joined(rows, outer_width, inner, inner_width, _PER_BUCKET))
        return cost + settings.cpu_operator_cost * scan.own_quals * guess.tuples

    return beyond


def _turns(settings: CostSettings, kind: str) -> bool:
    """Whether a hash join of this type may as well build on the outer side."""
    if kind == "Anti":
        return has_right_anti_join(settings.server_major)
    return kind in ("Inner", "Left") or (kind == "Semi" and has_right_semi_join(settings.server_major))
