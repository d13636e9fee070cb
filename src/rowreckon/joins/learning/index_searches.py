"""What a nested loop's inner index scan tells of its index, once the size of the relation is known.

That it was searched by a column's value proves that the index is there; that an execution costs no more than leading to
its rows does proves that the column comes first. Inner Unique proves that one row has a value, and no index.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from rowreckon.cost import CostSettings, index_pages_fetched
from rowreckon.cost.capabilities import has_skip_scan
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.semijoins import as_semijoin
from rowreckon.joins.facts.sides import Aliases, JoinFacts, join_facts
from rowreckon.joins.from_plan.agreeing_sizes import agreeing_sizes
from rowreckon.joins.from_plan.inner_sizes import range_quals_of, readings_of, shape_of_scan
from rowreckon.joins.from_plan.loop_executions import execution_of
from rowreckon.joins.from_plan.needed_columns import needed_columns
from rowreckon.joins.from_plan.relation_sizes import Charged, SizeGuess, descent_cost, seen_sizes
from rowreckon.joins.from_plan.row_shape import RowShape
from rowreckon.joins.from_plan.whole_table_scans import SeenRelation
from rowreckon.joins.learning.table_scans import Reading
from rowreckon.learned.facts import ANY, Bounds, IndexFact, RelationName, Size, Source, relation_name
from rowreckon.plan.nodes import BitmapIndexScanNode, IndexScanNode, ScanNode

_SEMI = frozenset({"Semi", "Anti"})


class SearchEvidence(NamedTuple):
    """One search of an index: by which columns, what an execution was charged, under which settings.

    `bitmap` is the printed cost of a search that filled a bitmap, None where rows were fetched one by one.
    """

    relation: RelationName
    name: str
    keys: frozenset[str]
    unique: bool
    covers: frozenset[str]
    lacks: frozenset[str] | None
    readings: tuple[Charged, ...]
    shape: RowShape
    settings: CostSettings
    source: Source
    bitmap: float | None = None


def searches_in(reading: Reading, query: str | None) -> Iterator[SearchEvidence]:
    """The searches of a plan's nested loops, by equality with columns of the outer side alone."""
    if not reading.settings_told:
        return
    tree = reading.reckoned.tree
    aliases = Aliases(tree)
    for number in tree.joins():
        if tree.nodes[number].node_type == "Nested Loop":
            facts = as_semijoin(reading.reckoned, join_facts(reading.reckoned, number, aliases), query)
            found = _search(reading, facts)
            if found is not None:
                yield found


def _search(reading: Reading, facts: JoinFacts) -> SearchEvidence | None:
    case = JoinAtHand(reading.settings, reading.reckoned, facts)
    scan = reading.reckoned.tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    bitmap = _bitmap_of(reading, facts)
    index = scan.index_name if isinstance(scan, IndexScanNode) else bitmap.index_name if bitmap is not None else None
    if not facts.inner.parameterised or not isinstance(scan, ScanNode) or index is None:
        return None
    relation = relation_name(scan.schema_name, scan.relation_name)
    led = [c for c in facts.clauses if c.place == "index"]
    columns = [c.inner_column.column if c.inner_column is not None and c.is_equality else None for c in led]
    if relation is None or not led or None in columns or range_quals_of(reading.reckoned, facts) != 0:
        return None
    run = execution_of(case)
    if run is None or run.asked is None:
        return None
    cost = run.cost(memoized=facts.inner.memoized)
    keys = frozenset(c for c in columns if c is not None)
    only = scan.node_type == "Index Only Scan"
    needed = needed_columns(reading.reckoned, facts, facts.inner.scan)
    return SearchEvidence(
        relation=relation,
        name=index,
        keys=keys,
        unique=facts.inner_unique and facts.kind not in _SEMI and len(led) == len(facts.clauses),
        covers=keys | needed if only and needed is not None else keys,
        lacks=needed if not only else None,
        readings=tuple(readings_of(case, scan, cost, run.candidates, run.asked)),
        shape=shape_of_scan(reading.reckoned, facts, scan, run.found),
        settings=reading.settings,
        source=Source(reading.plan, f"search of {index}", reading.seen_at),
        bitmap=None if bitmap is None else float(bitmap.total_cost or 0.0),
    )


def _bitmap_of(reading: Reading, facts: JoinFacts) -> BitmapIndexScanNode | None:
    """The one index that fills the bitmap by which the inner side's rows are fetched."""
    tree = reading.reckoned.tree
    below = tree.inputs(facts.inner.scan) if facts.inner.scan is not None else ()
    node = tree.nodes[below[0]] if len(below) == 1 else None
    return node if isinstance(node, BitmapIndexScanNode) else None


def index_facts(searches: Iterable[SearchEvidence], size: Size) -> tuple[IndexFact, ...]:
    """The indexes of a relation of known size by the searches of them, in the order of their names; none of an index
    whose searches contradict each other."""
    found: dict[tuple[str, frozenset[str]], list[IndexFact]] = {}
    seen = SeenRelation(size.pages.low, size.rows.low, learned=True)
    for search in searches:
        fact = _fact(search, seen)
        if fact is not None:
            found.setdefault((fact.name, fact.keys), []).append(fact)
    merged = (_merged(found[name]) for name in sorted(found, key=lambda n: (n[0], sorted(n[1]))))
    return tuple(fact for fact in merged if fact is not None)


def _fact(search: SearchEvidence, seen: SeenRelation) -> IndexFact | None:
    if search.bitmap is not None:
        sizes = _by_bitmap(search, search.bitmap, seen)
    else:
        sizes = agreeing_sizes(search.settings, search.readings, seen, search.shape)
    if not sizes:
        return None
    ordered = (
        search.bitmap is None and all(s.found > 1.0 for s in sizes) and all(r.unseen > 0.0 for r in search.readings)
    )
    return IndexFact(
        name=search.name,
        keys=search.keys,
        unique=search.unique,
        per_key=_hull(s.found for s in sizes),
        pages=_hull(s.index_pages for s in sizes),
        levels=_hull(float(s.height) for s in sizes),
        order=_hull(s.order for s in sizes) if ordered else Bounds(0.0, 1.0),
        covers=search.covers,
        lacks=frozenset() if search.lacks is None else frozenset({search.lacks}),
        sources=(search.source,),
    )


def _by_bitmap(search: SearchEvidence, cost: float, seen: SeenRelation) -> list[SizeGuess]:
    """The sizes of an index whose search cost too little for anything but leading to the rows found by its first
    column: a sweep compares every entry, and a skip from value to value descends at least twice."""
    settings, charged = search.settings, search.readings[0]
    sizes = seen_sizes(seen, search.shape, charged.found)
    descent = descent_cost(settings, min(s.height for s in sizes), (max(int(seen.tuples), 1) - 1).bit_length())
    per_entry = settings.cpu_index_tuple_cost + settings.cpu_operator_cost
    pages, loops = min(s.index_pages for s in sizes), max(charged.loops, 1.0)
    twice = index_pages_fetched(settings, 2.0 * loops, pages, pages, seen.pages) * settings.random_page_cost / loops
    swept, skipped = per_entry * seen.tuples, 2.0 * descent + per_entry * charged.found + twice
    return sizes if cost < swept and (cost < skipped or not has_skip_scan(settings.server_major)) else []


def _hull(values: Iterable[float]) -> Bounds:
    kept = list(values)
    return Bounds(min(kept), max(kept))


def _merged(facts: list[IndexFact]) -> IndexFact | None:
    ordered = sorted(facts, key=lambda f: [source.order for source in f.sources])
    per_key = pages = levels = order = ANY
    for fact in ordered:
        per_key, pages = per_key.meet(fact.per_key), pages.meet(fact.pages)
        levels, order = levels.meet(fact.levels), order.meet(_widened(fact.order))
    if any(bounds.empty for bounds in (per_key, pages, levels, order)):
        return None
    first = ordered[0]
    return first._replace(
        unique=any(f.unique for f in ordered),
        per_key=per_key,
        pages=pages,
        levels=levels,
        order=order,
        covers=frozenset().union(*(f.covers for f in ordered)),
        lacks=frozenset().union(*(f.lacks for f in ordered)),
        sources=first.sources,
    )


def _widened(order: Bounds) -> Bounds:
    """What printed costs leave of a squared correlation: it is solved from cents."""
    return Bounds(max(order.low - 0.02, 0.0), min(order.high + 0.02, 1.0))
