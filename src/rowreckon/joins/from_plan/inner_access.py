"""The inner side of a nested loop in a world where its relation has some size: by its index, and by itself.

Source: cost_index and cost_seqscan in optimizer/path/costsize.c, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from rowreckon.cost import (
    STD_FUZZ_FACTOR,
    CostSettings,
    IndexCondition,
    IndexShape,
    PathCost,
    QualCost,
    RelationSize,
    compute_parallel_worker,
    cost_index,
    cost_memoize,
    cost_seqscan,
)
from rowreckon.cost.units import clamp_row_est
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.joins.facts.inputs import ParameterisedAccess, SidePath
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.from_plan.driving_keys import DrivingKeys
from rowreckon.joins.from_plan.loop_executions import LoopEvidence
from rowreckon.joins.from_plan.loops import Loops
from rowreckon.joins.from_plan.pages_cost import pages_cost
from rowreckon.joins.from_plan.relation_sizes import SizeGuess
from rowreckon.joins.from_plan.row_shape import index_pages_of
from rowreckon.joins.ways.side_paths import taken_first
from rowreckon.plan.nodes import BitmapHeapScanNode, IndexScanNode
from rowreckon.plan.tree import index_of


def executed_access(case: JoinAtHand, known: LoopEvidence, size: SizeGuess | None) -> ParameterisedAccess:
    """The inner side that ran, in a world where its relation has that size (None: pages are never shared further)."""
    facts = case.facts
    tree = case.reckoned.tree
    scan = tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    rows = max(facts.inner.planner_rows, 1.0)
    kind = tree.nodes[facts.inner.child].node_type
    loops = known.loops
    read: Callable[[float], float] | None = None
    if size is not None and isinstance(scan, (IndexScanNode, BitmapHeapScanNode)):
        read = pages_cost(case.settings, size, known.allvisfrac, bitmap=isinstance(scan, BitmapHeapScanNode))
    rest = known.total - read(loops.rows) if read is not None else known.total
    startup, width = known.startup, facts.inner.width

    def at(outer_rows: float) -> PathCost:
        total = rest if read is None else max(rest + read(loops.at(outer_rows)), startup)
        begin = min(startup, total)
        return PathCost(begin, total, rows, width, begin, total, 0, kind)

    names = {"Index Scan": "index_scan", "Index Only Scan": "index_only_scan", "Bitmap Heap Scan": "bitmap_scan"}
    simple = isinstance(scan, (IndexScanNode, BitmapHeapScanNode))
    return ParameterisedAccess(
        at=at,
        access=names.get(scan.node_type, "per row") if scan is not None else "per row",
        index=_index(case.reckoned, facts),
        indexed=simple and not facts.inner.memoized and all(c.place == "index" for c in facts.clauses),
        exact=known.exact,
        memoized=facts.inner.memoized,
    )


def whole_inner(
    settings: CostSettings, facts: JoinFacts, known: LoopEvidence, size: SizeGuess, keys: list[str]
) -> tuple[SidePath, ...]:
    """The inner relation scanned by itself, where it has that size: the whole table, and its index from end to end."""
    quals = QualCost(0.0, settings.cpu_operator_cost * known.own_quals)
    all_quals = QualCost(0.0, settings.cpu_operator_cost * (known.own_quals + known.range_quals))
    rows = clamp_row_est(size.tuples * size.share * known.kept)
    width = facts.inner.width
    relation = RelationSize(size.pages, size.tuples, known.allvisfrac)
    found = [SidePath(cost_seqscan(settings, relation, rows, width, qual=all_quals), (), "seq_scan")]
    if settings.enable_indexscan:
        path = cost_index(
            settings,
            relation,
            _index_shape(facts, size),
            IndexCondition(size.share, size.share, known.range_quals),
            rows,
            width,
            total_table_pages=size.pages,
            index_only=known.index_only,
            qual=quals,
        )
        order = () if size.visited else tuple(keys)  # an index that leads to no key is in another order
        found.append(SidePath(path, order, "index_only_scan" if known.index_only else "index_scan"))
    return tuple(taken_first(found))


def shared_inner(
    settings: CostSettings, facts: JoinFacts, known: LoopEvidence, size: SizeGuess
) -> tuple[SidePath, ...]:
    """The inner relation scanned by all processes together, where it has that size and the join runs in several.

    A hash join may then build one table with them all (hash_inner_and_outer in optimizer/path/joinpath.c takes the
    cheapest partial path of either side). A storage parameter may ask for other workers, which no plan tells.
    """
    wanted = compute_parallel_worker(settings, size.pages, None) if facts.workers > 0 else 0
    if not wanted:
        return ()
    quals = QualCost(0.0, settings.cpu_operator_cost * (known.own_quals + known.range_quals))
    rows = clamp_row_est(size.tuples * size.share * known.kept)
    relation = RelationSize(size.pages, size.tuples, known.allvisfrac)
    path = cost_seqscan(settings, relation, rows, facts.inner.width, qual=quals, workers=wanted)
    return (SidePath(path, (), "seq_scan"),)


def ordered_path(
    settings: CostSettings, size: SizeGuess, rows: float, width: int, own_quals: int, keys: list[str], printed: float
) -> SidePath:
    """What a relation costs at least in the order of an index on these columns: the table in that very order, or an
    index that holds all columns needed; the scan that was taken for its cost is at most 1% dearer."""
    quals = QualCost(0.0, settings.cpu_operator_cost * own_quals)
    covering = replace(size, index_pages=index_pages_of(size.tuples, width))
    found = [
        cost_index(
            settings,
            RelationSize(size.pages, size.tuples, 1.0),
            IndexShape(one.index_pages, one.tuples, one.height, correlation=1.0),
            IndexCondition(1.0, 1.0, 0),
            rows,
            width,
            total_table_pages=size.pages,
            index_only=only,
            qual=quals,
        )
        for one, only in ((size, False), (covering, True))
    ]
    path = min(found, key=lambda p: p.total_cost)
    return SidePath(_no_cheaper(path, printed), tuple(keys), "index_scan")


def _no_cheaper(path: PathCost, taken: float) -> PathCost:
    """The path at a cost that the scan taken in its stead leaves possible (add_path in optimizer/util/pathnode.c)."""
    least = max(path.total_cost, taken / STD_FUZZ_FACTOR)
    return path._replace(total_cost=least, rescan_total_cost=least)


@frozen
class ProvenIndex:
    """An index on a join's columns that the plan proves to be there, in a world where it has some size.

    `own_quals` are the scan's own conditions, `quals` those of the join, on `keys`. `allvisfrac` is None where the
    index does not hold all columns needed, else the share of pages that need not be looked at. A search finds
    `found` rows, None where the index is unique.
    """

    size: SizeGuess
    own_quals: int
    quals: int
    keys: tuple[str, ...]
    allvisfrac: float | None
    found: float | None = None

    @property
    def access(self) -> str:
        """How it is read."""
        return "index_scan" if self.allvisfrac is None else "index_only_scan"

    def searched(
        self,
        settings: CostSettings,
        loops: Loops,
        width: int,
        spared: float | None = None,
        keys: DrivingKeys | None = None,
    ) -> ParameterisedAccess:
        """A scan for the rows of one key per execution; a Memoize keeps them where the `keys` make that cheaper.

        `spared` is what all executions together cost at least, where a Memoize may spare some of them: the fewest
        different values among the outer rows are then as many as that leaves (cost_memoize_rescan).
        """
        rows = self.found or 1.0
        selectivity = min(rows / max(self.size.tuples, 1.0), 1.0)
        condition = IndexCondition(selectivity, selectivity, self.quals, unique_match=self.found is None)

        def scanned(outer_rows: float) -> PathCost:
            return self._cost(settings, condition, clamp_row_est(rows), width, loops.at(outer_rows))

        def kept(outer_rows: float) -> PathCost:
            path = scanned(outer_rows)
            if keys is None or outer_rows < 2.0:
                return path
            found = cost_memoize(settings, path, calls=outer_rows, ndistinct=keys.among(outer_rows))
            return found if found.rescan_total_cost < path.rescan_total_cost else path

        if spared is None and keys is not None:
            return ParameterisedAccess(kept, self.access, None, True, True, False)
        if spared is None:
            return ParameterisedAccess(scanned, self.access, None, True, True, False)
        per_hit = settings.cpu_tuple_cost + 2.0 * settings.cpu_operator_cost
        once = scanned(loops.outer_rows).total_cost
        fewest = max((spared - loops.outer_rows * per_hit) / max(once, per_hit), 1.0)

        def remembered(outer_rows: float) -> PathCost:
            path = scanned(outer_rows)
            again = path.total_cost * min(fewest / max(outer_rows, 1.0), 1.0) + per_hit
            if again >= path.total_cost:
                return path
            return path._replace(rescan_startup_cost=0.0, rescan_total_cost=again)

        return ParameterisedAccess(remembered, self.access, None, True, True, False)

    def whole(self, settings: CostSettings, rows: float, width: int, taken: float) -> SidePath:
        """The relation in the index's order; the scan that was taken instead cost so much."""
        path = self._cost(settings, IndexCondition(1.0, 1.0, 0), rows, width, 1.0)
        return SidePath(_no_cheaper(path, taken), self.keys, self.access)

    def _cost(
        self, settings: CostSettings, condition: IndexCondition, rows: float, width: int, loops: float
    ) -> PathCost:
        size = self.size
        unique = self.found is None
        shape = IndexShape(size.index_pages, size.tuples, size.height, unique=unique, correlation=size.order**0.5)
        return cost_index(
            settings,
            RelationSize(size.pages, size.tuples, self.allvisfrac or 0.0),
            shape,
            condition,
            rows,
            width,
            total_table_pages=size.pages,
            loop_count=loops,
            index_only=self.allvisfrac is not None,
            qual=QualCost(0.0, settings.cpu_operator_cost * self.own_quals),
        )


def _index_shape(facts: JoinFacts, size: SizeGuess) -> IndexShape:
    return IndexShape(
        size.index_pages, size.tuples, size.height, unique=facts.inner_unique, correlation=size.order**0.5
    )


def _index(reckoned: ReckonedTree, facts: JoinFacts) -> str | None:
    span = reckoned.tree.subtree(facts.inner.child)
    found = [name for n in span if (name := index_of(reckoned.tree.nodes[n])) is not None]
    return found[0] if len(found) == 1 else None
