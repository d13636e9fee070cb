"""What the planner's choice tells of a relation's size: had it been smaller, a hash join would have been taken.

The planner keeps a path only while no other is more than 1% cheaper, and a hash join was weighed wherever a clause can
be hashed. The cheapest one that a size allows bounds the size from below.
Source: add_path in optimizer/util/pathnode.c, hash_inner_and_outer in optimizer/path/joinpath.c, initial_cost_hashjoin
and final_cost_hashjoin in optimizer/path/costsize.c; releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable

from rowreckon.cost import STD_FUZZ_FACTOR, CostSettings
from rowreckon.cost.capabilities import has_right_anti_join, has_right_semi_join
from rowreckon.counts.reckon import ReckonedTree

from .limits import fetched_fraction
from .methods import can_hash
from .sides import JoinFacts
from .size_evidence import SizeGuess, between, scan_cost

_STEPS = 8


def weighed_sizes(
    settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, sizes: list[SizeGuess], kept: float, only: bool
) -> list[SizeGuess]:
    """The sizes (middle, smallest, largest) without those at which a hash join would have been taken.

    `kept` is the share of the inner rows that its own filter leaves, `only` that the index holds all that is needed.
    """
    room = _room(settings, reckoned, facts, kept)
    if room is None or len(sizes) < len(("middle", "smallest", "largest")):
        return sizes
    _, low, high = sizes
    cost, bound = room

    def fits(guess: SizeGuess) -> bool:
        return scan_cost(settings, guess, index_only=only) + cost(guess) >= bound

    if fits(low):
        return sizes
    if not fits(high):
        return [high, high, high]
    least, most = 0.0, 1.0
    for _ in range(_STEPS):
        part = (least + most) / 2.0
        least, most = (least, part) if fits(between(low, high, part)) else (part, most)
    low = between(low, high, most)
    return [between(low, high, 0.5), low, high]


def _room(
    settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, kept: float
) -> tuple[Callable[[SizeGuess], float], float] | None:
    """What a hash join costs beyond the scan at a size, and what both cost at least; None where none was weighed."""
    hashed = [c for c in facts.clauses if can_hash(c)]
    tree = reckoned.tree
    fraction = fetched_fraction(tree, facts.node)
    if not hashed or not settings.enable_hashjoin or facts.workers or facts.scale is None or fraction < 1.0:
        return None
    printed, outer = tree.nodes[facts.node].total_cost, tree.nodes[facts.outer.child].total_cost
    if printed is None or outer is None:
        return None
    operator = settings.cpu_operator_cost * len(hashed)
    rows, output = max(facts.outer.planner_rows, 1.0), facts.output_rows
    bound = float(printed) / STD_FUZZ_FACTOR - float(outer) - settings.cpu_tuple_cost * output
    turned = facts.kind in ("Inner", "Left")
    turned |= facts.kind == "Semi" and has_right_semi_join(settings.server_major)
    turned |= facts.kind == "Anti" and has_right_anti_join(settings.server_major)
    if turned:  # the inner rows probe a table of the outer ones
        bound -= (operator + settings.cpu_tuple_cost) * rows
        return lambda guess: 1.5 * operator * guess.tuples * kept, bound
    bound -= 1.5 * operator * rows
    return lambda guess: (operator + settings.cpu_tuple_cost) * guess.tuples * kept, bound
