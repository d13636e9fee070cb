"""Indexes that a plan reads from end to end: how large they are, and which column leads them.

An index-only scan without a condition is charged all pages and entries of its index, so that its cost tells the pages.
Its `Output` lists the index's columns in their order where it may hand up whole entries, which a join's input may that
is neither hashed, nor written to batches, nor sorted; and a merge join's unsorted input is led by the merged column.
Source: genericcostestimate in utils/adt/selfuncs.c; use_physical_tlist, create_hashjoin_plan and create_mergejoin_plan
in optimizer/plan/createplan.c; releases 13 to 18.
"""

from __future__ import annotations

from rowreckon.cost import CostSettings
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.joins.facts.sides import JoinFacts, Side
from rowreckon.joins.from_plan.relation_sizes import descent_cost, descents
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import HashNode, IndexScanNode


@frozen
class SeenIndex:
    """An index that is read whole: its pages, its entries, the levels below its root."""

    pages: float
    tuples: float
    height: int


def whole_index(settings: CostSettings, reckoned: ReckonedTree, number: int | None) -> SeenIndex | None:
    """The index that the node `number` reads from end to end without its table, None where it does not."""
    node = reckoned.tree.nodes[number] if number is not None else None
    if not isinstance(node, IndexScanNode) or number is None or node.node_type != "Index Only Scan":
        return None
    if node.index_cond or node.order_by or node.heap_fetches or node.loops != 1 or node.parallel_aware:
        return None
    if node.total_cost is None or node.startup_cost is None or reckoned.counts[number].state != "exact":
        return None
    own = len(parse_condition(node.filter).clauses) if node.filter else 0
    tuples = float(node.plan_rows or 0.0)
    if own:  # what the planner counted it does not print, what came it does
        tuples = float(node.actual_rows or 0.0) + float(node.rows_removed_by_filter or 0.0)
    tuples = max(tuples, 1.0)
    levels = [h for h, bits in descents(settings, float(node.startup_cost)) if 2.0 ** (bits - 1) < tuples <= 2.0**bits]
    if not levels or settings.random_page_cost <= 0.0:
        return None
    descent = descent_cost(settings, levels[0], (int(tuples) - 1).bit_length())
    per_row = settings.cpu_index_tuple_cost + settings.cpu_tuple_cost + settings.cpu_operator_cost * own
    pages = round((float(node.total_cost) - descent - per_row * tuples) / settings.random_page_cost)
    return SeenIndex(float(pages), tuples, levels[0]) if pages >= 1 else None


def leads(reckoned: ReckonedTree, facts: JoinFacts, side: Side) -> bool:
    """Whether the index that a side reads from end to end has a join column first."""
    inner = side is facts.inner
    equal = [c for c in facts.clauses if c.is_equality]
    keys = [(c.inner_text if inner else c.outer_text) or c.text for c in equal]
    if side.scan is None or side.scan != side.node:
        return False
    if facts.method == "merge":
        return not side.sorted_here and all(c.place == "merge" for c in equal)
    output = reckoned.tree.nodes[side.scan].output or ()
    whole = facts.method == "hash" and not inner and _one_batch(reckoned, facts)
    return whole and set(output[: len(keys)]) == set(keys)


def _one_batch(reckoned: ReckonedTree, facts: JoinFacts) -> bool:
    build = reckoned.tree.nodes[facts.inner.child]
    return isinstance(build, HashNode) and (build.original_hash_batches or build.hash_batches) == 1
