"""Indexes on a join's columns that its plan proves or that files declare, though the executed join did not search them.

An Inner Unique hash or merge join over a table proves a unique index on the inner join columns (innerrel_is_unique in
optimizer/plan/analyzejoins.c); a scan of a whole index may prove one that a join column leads (see `index_evidence`).
One that files declare may be gone since: it is searched in some worlds and lacks in others.
"""

from __future__ import annotations

from math import ceil
from typing import NamedTuple

from rowreckon.cost import STD_FUZZ_FACTOR
from rowreckon.cost.capabilities import has_memoize
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.declared_indexes import columns_held
from rowreckon.joins.facts.inputs import TURNED_KIND, ParameterisedAccess
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.sides import JoinFacts, Side
from rowreckon.joins.from_plan.driving_keys import driving_column, driving_keys
from rowreckon.joins.from_plan.inner_access import ProvenIndex
from rowreckon.joins.from_plan.inner_sizes import shape_of
from rowreckon.joins.from_plan.loops import Loops, loops_of, turned_loops
from rowreckon.joins.from_plan.needed_columns import needed_columns
from rowreckon.joins.from_plan.relation_sizes import SizeGuess, seen_sizes
from rowreckon.joins.from_plan.row_shape import RowShape
from rowreckon.joins.from_plan.whole_index_scans import SeenIndex, leads, whole_index
from rowreckon.joins.from_plan.whole_table_scans import RelationEvidence
from rowreckon.learned.facts import Bounds, ColumnName, IndexFact
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import ScanNode
from rowreckon.plan.tree import base_name

_MATCHES = (2.0, 1.0, 20.0)
"""Rows of one key where a semijoin's plan does not tell: likely, at least, at most (common practice, no source)."""
_MORE_PER_KEY = 4.0
"""How many times more rows than in this join a key may have on average (common practice, no source)."""


class Search(NamedTuple):
    """One reading of an index, and how a nested loop would search it; whether it is the scan that was taken.

    `doubted` is the relation of an index that files declare and no plan reads, which may be gone, else None.
    `keys` is the column whose values drive it, where a Memoize may read each of them once and nothing tells how many
    there are, else None.
    """

    proven: ProvenIndex
    access: ParameterisedAccess
    taken: bool
    doubted: str | None = None
    keys: ColumnName | None = None


def searches(case: JoinAtHand, side: Side, relations: RelationEvidence) -> tuple[Search, ...]:
    """Searches of an index on a side's join columns, driven by the other side's rows: the likely reading, the cheapest
    and the dearest; empty where the plan proves none and files declare none."""
    settings, reckoned, facts = case.settings, case.reckoned, case.facts
    scan = reckoned.tree.nodes[side.scan] if side.scan is not None else None
    inner = side is facts.inner
    if facts.method == "nested_loop" or not isinstance(scan, ScanNode):
        return ()
    keys = tuple((c.inner_text if inner else c.outer_text) or c.text for c in facts.clauses if c.is_equality)
    own = len(parse_condition(scan.filter).clauses) if scan.filter else 0
    readings = _unique(case, side, relations, own, keys) if inner else []
    led = [] if readings else _led(case, side, own, keys)
    readings = readings or led or _known(case, side, relations, own, keys)
    declared = case.declared_index(side) if not readings else None
    doubted = base_name(scan) if declared is not None and declared.seen_in is None else None
    readings = readings or _declared(case, side, relations, own, keys)
    loops = _loops(reckoned, facts, side)
    if not readings or loops is None:
        return ()
    driver = facts.outer if inner else facts.inner
    kind = facts.kind if inner else TURNED_KIND.get(facts.kind)
    keeps = has_memoize(settings.server_major) and settings.enable_memoize and kind in ("Inner", "Left")
    known = driving_keys(case, driver, relations) if keeps else None
    many = known.many if known is not None else None
    found = [Search(i, i.searched(settings, loops, side.width, None, many), bool(led), doubted) for i in readings]
    column, cheapest = driving_column(case, driver), readings[1]
    if known is not None and known.few != known.many:
        remembered = cheapest.searched(settings, loops, side.width, None, known.few)
        found.append(Search(cheapest, remembered, bool(led), doubted, column))
    elif keeps and known is None:
        remembered = cheapest.searched(settings, loops, side.width, _spared(reckoned, facts, driver))
        found.append(Search(cheapest, remembered, bool(led), doubted, column))
    return tuple(found)


def _covered(case: JoinAtHand, side: Side, scan: ScanNode, keys: tuple[str, ...]) -> bool | None:
    """Whether a unique index on a side's join columns holds all that is needed of the table, its own conditions too;
    None where nothing tells."""
    needed = needed_columns(case.reckoned, case.facts, side.scan)
    if needed is not None and case.declared is not None:
        held = case.declared.unique_holds(case.facts, side, needed)
        if held is not None:
            return held
    if scan.output is None:
        return None
    return set(scan.output) <= set(keys) and (needed is None or needed <= {_column(key) for key in keys})


def _unique(
    case: JoinAtHand,
    side: Side,
    relations: RelationEvidence,
    own: int,
    keys: tuple[str, ...],
) -> list[ProvenIndex]:
    """The unique index that an Inner Unique join over a table proves to be there."""
    reckoned = case.reckoned
    scan = reckoned.tree.nodes[side.scan] if side.scan is not None else None
    if not case.facts.inner_unique or not isinstance(scan, ScanNode):
        return []
    seen, shape = relations.of(scan), shape_of(reckoned, case.facts, side, 1.0, whole=False)
    if seen is not None:
        covered = _covered(case, side, scan, keys)
        # an index in the table's order goes with a table that was cleaned up, one in no order with one that was not
        spared = [covered or (covered is None and number == 1) for number in range(len(_MATCHES))]
        return [
            ProvenIndex(size, own, max(len(keys), 1), keys, min(2.0 * size.order, 1.0) if spares else None)
            for size, spares in zip(seen_sizes(seen, shape), spared, strict=True)
        ]
    index = whole_index(case.settings, reckoned, side.scan)
    if index is None or not _covered(case, side, scan, keys):  # which may take the grammar
        return []
    return [
        ProvenIndex(_sized(index, shape, number), own, max(len(keys), 1), keys, 1.0) for number in range(len(_MATCHES))
    ]


def _led(case: JoinAtHand, side: Side, own: int, keys: tuple[str, ...]) -> list[ProvenIndex]:
    """The index that is read whole, where the join's columns lead it."""
    reckoned, facts = case.reckoned, case.facts
    if len(keys) < len(facts.clauses) or not leads(reckoned, facts, side):
        return []
    index = whole_index(case.settings, reckoned, side.scan)
    if index is None:
        return []
    shape = shape_of(reckoned, facts, side, 1.0, whole=False)
    return [
        ProvenIndex(_sized(index, shape, number), own, len(keys), keys, 1.0, found)
        for number, found in enumerate(_found(facts, side))
    ]


def _declared(
    case: JoinAtHand, side: Side, relations: RelationEvidence, own: int, keys: tuple[str, ...]
) -> list[ProvenIndex]:
    """The index that files declare on the join's columns, where the relation's size is known."""
    reckoned, facts = case.reckoned, case.facts
    index = case.declared_index(side)
    scan = reckoned.tree.nodes[side.scan] if side.scan is not None else None
    seen = relations.of(scan) if isinstance(scan, ScanNode) else None
    if index is None or seen is None or not isinstance(scan, ScanNode) or len(keys) < len(facts.clauses):
        return []
    unique = index.unique and index.immediate and len(index.keys) == len(keys)
    sizes = seen_sizes(seen, shape_of(reckoned, facts, side, 1.0, whole=False))
    needed = needed_columns(reckoned, facts, side.scan)
    only = needed is None or needed <= columns_held(index)  # the index may hold all that is needed
    return [
        ProvenIndex(size, own, len(keys), keys, 1.0 if only and number == 1 else None, None if unique else found)
        for number, (size, found) in enumerate(zip(sizes, _found(facts, side), strict=True))
    ]


def known_index(case: JoinAtHand, side: Side, relations: RelationEvidence) -> IndexFact | None:
    """The index that other plans searched by just the columns that the join compares of a side's relation."""
    scan = case.reckoned.tree.nodes[side.scan] if side.scan is not None else None
    inner = side is case.facts.inner
    equal = [(c.inner_text if inner else c.outer_text) or c.text for c in case.facts.clauses if c.is_equality]
    if not isinstance(scan, ScanNode) or len(equal) < len(case.facts.clauses):
        return None
    columns = frozenset(_column(text) for text in equal)
    fitting = [index for index in relations.indexes(scan) if index.keys == columns]
    return min(fitting, key=lambda i: (i.per_key.high, i.name), default=None)


def _known(
    case: JoinAtHand, side: Side, relations: RelationEvidence, own: int, keys: tuple[str, ...]
) -> list[ProvenIndex]:
    """Readings of the index that other plans searched by the join's columns."""
    scan = case.reckoned.tree.nodes[side.scan] if side.scan is not None else None
    seen = relations.of(scan) if isinstance(scan, ScanNode) else None
    index = known_index(case, side, relations)
    if seen is None or index is None or not isinstance(scan, ScanNode):
        return []
    needed = needed_columns(case.reckoned, case.facts, side.scan)
    declared = case.index_holds(side, index.name, needed)
    holds = index.holds(needed) if declared is None else declared
    # an index that holds all columns spares the table where its pages are all visible, which no plan tells of it
    spared = (1.0 if holds else None, None if holds is False else 1.0, 0.0 if holds else None)
    corners = (
        (_between(index.pages), _between(index.order), _between(index.per_key)),
        (index.pages.low, index.order.high, index.per_key.low),
        (index.pages.high, index.order.low, index.per_key.high),
    )
    readings: list[ProvenIndex] = []
    for (pages, order, found), visible in zip(corners, spared, strict=True):
        size = SizeGuess(seen.pages, seen.tuples, pages, int(index.levels.high), order, found)
        readings.append(ProvenIndex(size, own, len(keys), keys, visible, None if index.unique else found))
    return readings


def _between(bounds: Bounds) -> float:
    return float(round((bounds.low * bounds.high) ** 0.5)) if bounds.low >= 1.0 else (bounds.low + bounds.high) / 2.0


def _column(text: str) -> str:
    """The column of `alias.column`, without quotation marks."""
    return text.rsplit(".", 1)[-1].strip('"')


def _sized(index: SeenIndex, shape: RowShape, number: int) -> SizeGuess:
    pages = float(ceil(index.tuples / shape.rows[(1, 2, 0)[number]]))
    return SizeGuess(pages, index.tuples, index.pages, index.height)


def _found(facts: JoinFacts, side: Side) -> tuple[float, float, float]:
    """Rows of one key: likely, at least, at most. Of a key that the other side holds the join tells both as expected
    and as it came; keys that it does not hold may lower the planner's average."""
    driver = facts.outer if side is facts.inner else facts.inner
    if "Semi" in facts.kind or "Anti" in facts.kind:
        return _MATCHES
    least = max(facts.output_rows / max(driver.planner_rows, 1.0), 1.0)
    came = facts.output_actual / driver.actual_rows if facts.output_actual and driver.actual_rows else least
    likely = max(least, came)
    return likely, least, _MORE_PER_KEY * likely


def _loops(reckoned: ReckonedTree, facts: JoinFacts, side: Side) -> Loops | None:
    """How often the index would be searched."""
    if side is facts.inner:
        return loops_of(reckoned, facts) or Loops(facts.inner.planner_rows, max(facts.outer.planner_rows, 1.0), 0.0)
    if facts.workers and facts.inner.processes == 1.0:
        return None  # what each process reads whole drives no loop that they share
    if facts.inner.scan is None:
        return turned_loops(reckoned, facts)
    rows = max(facts.inner.planner_rows, 1.0)
    return Loops(rows * facts.inner.processes, rows, 1.0)


def _spared(reckoned: ReckonedTree, facts: JoinFacts, driver: Side) -> float:
    """What all searches together cost at least, by the choice of the executed join."""
    if facts.method != "hash":
        return 0.0
    below = driver.child if driver is facts.outer else driver.node
    printed, outer = (float(reckoned.tree.nodes[n].total_cost or 0.0) for n in (facts.node, below))
    return max(printed / STD_FUZZ_FACTOR - outer, 0.0)
