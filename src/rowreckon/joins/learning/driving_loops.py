"""How many different values drive a nested loop, by whether it remembers rows.

A Memoize reads the inner side once for each different value, so that its cost tells how many were reckoned with. Where
none was taken although it could have been, so few values would have made it cheaper that there are more.
Source: get_memoize_path in optimizer/path/joinpath.c, cost_memoize_rescan and final_cost_nestloop in
optimizer/path/costsize.c, estimate_num_groups in utils/adt/selfuncs.c; releases 14 to 18.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import inf
from typing import NamedTuple

from rowreckon.cost import STD_FUZZ_FACTOR, CostSettings, GroupRelation, PathCost, cost_memoize, estimate_num_groups
from rowreckon.cost.capabilities import has_memoize
from rowreckon.joins.facts.output_texts import is_column
from rowreckon.joins.facts.sides import Aliases, JoinFacts, join_facts
from rowreckon.joins.facts.wanted_above import fetched_fraction
from rowreckon.joins.learning.table_scans import Reading
from rowreckon.learned.facts import Bounds, ColumnName, Source, relation_name
from rowreckon.plan.nodes import MemoizeNode, ScanNode

_PRINTED = 0.0051
"""How far a printed cost may lie from the planner's own: half a cent, and what binary numbers add."""
_HALVINGS = 60
_LEAST_REMEMBERED = 2.0
"""Driving rows below which nothing is remembered (get_memoize_path)."""


class DrivingEvidence(NamedTuple):
    """Between how many different `values` of a column lie among so many expected `rows` of its table."""

    column: ColumnName
    rows: float
    values: Bounds
    source: Source


def driving_in(reading: Reading) -> Iterator[DrivingEvidence]:
    """What the nested loops of a plan tell of the columns that drive them."""
    settings = reading.settings
    if not (reading.settings_told and settings.enable_memoize and has_memoize(settings.server_major)):
        return
    tree = reading.reckoned.tree
    aliases = Aliases(tree)
    for number in tree.joins():
        if tree.nodes[number].node_type != "Nested Loop" or fetched_fraction(tree, number) < 1.0:
            continue
        facts = join_facts(reading.reckoned, number, aliases)
        column = _column(reading, facts)
        values = _values(reading, facts) if column is not None else None
        if column is not None and values is not None:
            yield DrivingEvidence(
                column, facts.outer.planner_rows, values, Source(reading.plan, "nested loop", reading.seen_at)
            )


def in_table(values: Bounds, rows: float, tuples: float) -> Bounds:
    """The different values in a table of so many `tuples`, by those that are expected among so many of its rows."""

    def among(distinct: float) -> float:
        return estimate_num_groups([GroupRelation((distinct,), rows, tuples)], rows)

    few = _first(lambda distinct: among(distinct) >= values.low, 1.0, tuples)
    many = _first(lambda distinct: among(distinct) > values.high, 1.0, tuples)
    return Bounds(0.99 * few, inf if many >= tuples else 1.01 * many)


def _column(reading: Reading, facts: JoinFacts) -> ColumnName | None:
    """The column of a table whose values alone drive the loop, where a Memoize could have kept what they find."""
    node = reading.reckoned.tree.nodes[facts.outer.node]
    if len(facts.clauses) != 1 or facts.kind not in ("Inner", "Left") or facts.workers or not facts.inner.parameterised:
        return None
    (clause,) = facts.clauses
    if not isinstance(node, ScanNode) or facts.outer.scan != facts.outer.node or facts.outer.child != facts.outer.node:
        return None
    relation = relation_name(node.schema_name, node.relation_name)
    if relation is None or clause.outer_column is None or clause.operator != "=" or not is_column(clause.outer_text):
        return None
    enough = facts.outer.planner_rows >= _LEAST_REMEMBERED and facts.outer.processes == 1.0
    return ColumnName(relation, clause.outer_column.column) if enough else None


def _values(reading: Reading, facts: JoinFacts) -> Bounds | None:
    """The different values among the driving rows; None where the loop's cost is not that of whole executions."""
    tree, settings = reading.reckoned.tree, reading.settings
    join, outer, inner = tree.nodes[facts.node], tree.nodes[facts.outer.child], tree.nodes[facts.inner.child]
    if None in (join.total_cost, outer.total_cost, inner.total_cost, inner.startup_cost):
        return None
    calls, rows = facts.outer.planner_rows, max(float(inner.plan_rows or 0.0), 1.0)
    printed, pairs = float(join.total_cost or 0.0), settings.cpu_tuple_cost * rows * calls
    spent = printed - float(outer.total_cost or 0.0)
    once, startup, width = float(inner.total_cost or 0.0), float(inner.startup_cost or 0.0), facts.inner.width
    if isinstance(inner, MemoizeNode):
        scan = PathCost(startup, once - settings.cpu_tuple_cost, rows, width, startup, once, 0, "Index Scan")
        return _remembered(settings, scan, spent - pairs, calls)
    if inner.node_type not in ("Index Scan", "Index Only Scan", "Bitmap Heap Scan"):
        return None
    # where one row matches at most, next to none is taken to match, and a search by an index alone charges no row
    stops = facts.inner_unique and all(c.place == "index" for c in facts.clauses)
    each = (spent if stops else spent - pairs) / calls
    if abs(each - once) > _PRINTED + 2.0 * _PRINTED / calls:
        return None
    each = min(max(each, once - _PRINTED), once + _PRINTED)
    scan = PathCost(startup, each, rows, width, startup, each, 0, inner.node_type)
    further = pairs if stops else 0.0
    least = _first(lambda values: not _taken(settings, scan, (printed, further), calls, values), 1.0, calls)
    return Bounds(least, inf)


def _taken(settings: CostSettings, scan: PathCost, costs: tuple[float, float], calls: float, values: float) -> bool:
    """Whether a loop without Memoize would surely have been taken with one: `costs` are its printed one, and what a
    Memoize adds for the pairs of rows."""
    printed, further = costs
    kept = cost_memoize(settings, scan, calls=calls, ndistinct=values)
    saved = calls * scan.total_cost - kept.total_cost - (calls - 1.0) * kept.rescan_total_cost - further
    return STD_FUZZ_FACTOR * (printed - saved + 4.0 * _PRINTED) < printed


def _remembered(settings: CostSettings, scan: PathCost, spent: float, calls: float) -> Bounds | None:
    """The values with which executing a Memoize so often costs what was spent; `scan` is what it keeps rows of."""

    def cost(values: float) -> float:
        kept = cost_memoize(settings, scan, calls=calls, ndistinct=values)
        return kept.total_cost + (calls - 1.0) * kept.rescan_total_cost

    play = (2.0 + calls) * _PRINTED
    least = _first(lambda values: cost(values) >= spent - play, 1.0, calls)
    most = _first(lambda values: cost(values) > spent + play, 1.0, calls)
    return Bounds(least, inf if most >= calls else most)


def _first(reached: Callable[[float], bool], low: float, high: float) -> float:
    """The smallest number in between from which on it is reached, nearly; `high` where it never is."""
    if reached(low):
        return low
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        low, high = (low, middle) if reached(middle) else (middle, high)
    return low if low < high else high
