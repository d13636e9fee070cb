"""A join's inputs from captured catalog facts: the best that a model can know without asking the planner again."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from rowreckon.cost import STD_FUZZ_FACTOR, CostSettings, MergeScanSelectivity, partial_rows
from rowreckon.cost.selectivity import WHOLE_SCAN
from rowreckon.cost.units import clamp_row_est
from rowreckon.joins.facts.inputs import TURNED_KIND, ClauseInput, JoinInput, KeyInput, SideInput, SidePath
from rowreckon.joins.facts.own_filter import AS_EXPECTED, own_factor
from rowreckon.joins.facts.partitioned import known_table
from rowreckon.joins.facts.permitted_methods import can_hash, can_merge
from rowreckon.joins.facts.sides import side_facts
from rowreckon.joins.facts.uniqueness import proves_unique
from rowreckon.joins.from_catalog.clause_statistics import (
    clause_by_statistics,
    clause_of_pruned,
    clause_of_subqueries,
    key_of_table,
)
from rowreckon.joins.from_catalog.computed_sides import is_computed
from rowreckon.joins.from_catalog.equal_columns import NONE_EQUAL, EqualColumns
from rowreckon.joins.from_catalog.scans_at_actual import with_actual_scan
from rowreckon.joins.from_catalog.side_orders import orders_of_sides
from rowreckon.joins.ways.appended_scans import merged_appends, partial_appends, whole_append
from rowreckon.joins.ways.parameter_values import proven_parameters
from rowreckon.joins.ways.partial_scans import (
    gathered_in_order,
    gathered_scans,
    partial_first,
    partial_scans,
    weighed,
)
from rowreckon.joins.ways.printed_ways import printed_ways
from rowreckon.joins.ways.side_paths import catalog_paths, taken_first
from rowreckon.plan.nodes import CteScanNode, FunctionScanNode, GatherNode, IndexScanNode, ValuesScanNode
from rowreckon.plan.partitions import Members

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rowreckon.catalog.facts import ClauseSide, MergeScanFractions
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.clauses import JoinClause
    from rowreckon.joins.facts.join_at_hand import JoinAtHand
    from rowreckon.joins.facts.known_relation import KnownRelation
    from rowreckon.joins.facts.partitioned import PartitionedTable
    from rowreckon.joins.facts.sides import JoinFacts, Side
    from rowreckon.joins.ways.lower_join import LowerJoin
    from rowreckon.plan.conditions import ColumnReference

_REVERSED = ("Right Semi", "Right Anti")
_LEAVES = (FunctionScanNode, ValuesScanNode, CteScanNode)


def catalog_input(
    case: JoinAtHand,
    known: CatalogFacts,
    below: Mapping[int, LowerJoin] = MappingProxyType({}),
    equal: EqualColumns = NONE_EQUAL,
    order: tuple[str, ...] = (),
    query: str | None = None,
) -> JoinInput | None:
    """The join in its executed order, or None where the catalog does not tell enough of it.

    `below` are the joins that it stands on, as they would have been priced at their actual rows; `equal` the columns
    that the plan's joins equate; `order` is the one in which the query wants the join's rows (empty: none),
    `query` its text.
    """
    reckoned, facts = case.reckoned, case.facts
    clauses: list[ClauseInput] = []
    for clause in facts.clauses:
        given = _clause(clause, known, reckoned) or clause_by_statistics(clause, known, reckoned.tree)
        given = clause_of_subqueries(given, clause, facts, known, reckoned.tree)
        if given is None:
            return None
        clauses.append(clause_of_pruned(given, clause, facts, known, reckoned.tree, query))
    orders = orders_of_sides(facts, clauses, order)
    outer = _catalog_side(case, facts.outer, known, [c.outer for c in clauses], below, equal, orders[0])
    inner = _catalog_side(case, facts.inner, known, [c.inner for c in clauses], below, equal, orders[1])
    if outer is None or inner is None:
        return None
    scan = reckoned.tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    only = isinstance(scan, IndexScanNode) and scan.node_type == "Index Only Scan"
    return JoinInput(
        turned=False,
        kind=facts.kind,
        outer=outer,
        inner=inner,
        clauses=tuple(clauses),
        unique=facts.inner_unique and facts.kind not in ("Semi", "Anti"),
        workers=facts.workers,
        processes=facts.processes,
        shared_hash=facts.shared_hash,
        total_table_pages=known.total_table_pages,
        output_rows=facts.output_rows,
        basis="catalog",
        match_frac=_match_frac(facts, known, turned=facts.kind in _REVERSED),
        executed_index=f"only:{scan.index_name}" if only and isinstance(scan, IndexScanNode) else None,
        parameters_came=proven_parameters(reckoned, facts, [c.outer for c in clauses]),
    )


def turned_input(join: JoinInput, facts: JoinFacts, known: CatalogFacts | None) -> JoinInput:
    """The same join with its sides exchanged."""
    clauses = tuple(c.turned() for c in join.clauses)
    kind = TURNED_KIND[join.kind]
    return JoinInput(
        turned=True,
        kind=kind,
        outer=join.inner,
        inner=join.outer,
        clauses=clauses,
        unique=kind not in ("Semi", "Anti") and join.outer.single and proves_unique(join.outer.relation, clauses),
        workers=join.workers,
        processes=join.processes,
        shared_hash=join.shared_hash,
        total_table_pages=join.total_table_pages,
        output_rows=join.output_rows,
        basis=join.basis,
        match_frac=_match_frac(facts, known, turned=facts.kind in _REVERSED) if known is not None else join.match_frac,
        executed_inner=join.turned_inner,
        useful_order=join.useful_order,
    )


def _catalog_side(
    case: JoinAtHand,
    side: Side,
    known: CatalogFacts,
    keys: list[KeyInput],
    below: Mapping[int, LowerJoin],
    equal: EqualColumns,
    order: tuple[str, ...],
) -> SideInput | None:
    settings, reckoned, facts = case.settings, case.reckoned, case.facts
    gathered = _gathered_scan(reckoned, side)
    scan = side.scan if gathered is None else gathered.scan
    relation = known.relation_of(scan) if scan is not None else None
    table = known_table(side.partitioned, known, reckoned.tree) if side.partitioned is not None else None
    if table is not None and not all(m.complete for m in table.members):
        table = None
    if side.parameterised and table is None and (relation is None or not relation.complete):
        return None
    rows, workers = _rows(settings, facts, side, relation, table)
    useful = frozenset(key.text for key in keys)
    whole, partial = printed_ways(case, side, known, [k.text for k in keys], below, workers)
    # below the join's own Gather no other one could stand
    pages, printed = known.total_table_pages, [p for p in whole[:1] if p.safe and facts.workers == 0]
    found: list[SidePath] = []
    if relation is not None and relation.complete:
        whole += catalog_paths(settings, relation, rows, pages)
        found += partial_scans(settings, relation, rows, pages)
    union = known.appended_by(side.node) if side.partitioned is None else ()
    appended = table.members if table is not None else union
    if appended:
        if all(path.order for path in whole):
            gathers = known.parallel.may_share(side.node)
            whole += whole_append(settings, appended, side.width, pages, union=bool(union), gathers=gathers)
        whole += merged_appends(settings, table, side.width, pages) if table is not None else ()
        found += partial_appends(settings, appended, side.width, pages, union=bool(union))
    if found and known.parallel.may_share(side.node if scan is None else scan):
        cheapest_first = partial_first([*partial, *found], useful)
        brought = list(gathered_scans(settings, rows, cheapest_first))
        if not _contradicted(printed, brought):
            partial += found
            whole += [*brought, *gathered_in_order(settings, rows, cheapest_first, order)]
    whole = taken_first(whole, useful)
    if relation is not None and relation.complete:
        whole = with_actual_scan(settings, reckoned, side, relation, whole, known.total_table_pages)
    whole = weighed(whole)
    return SideInput(
        rows=rows,
        width=side.width,
        paths=tuple(whole),
        relation=relation,
        single=relation is not None or side.partitioned is not None or gathered is not None or _is_leaf(reckoned, side),
        partial_paths=tuple(partial_first(partial, useful)),
        parameters=_parameters(case, side, known, keys, equal),
        actual_ratio=side.actual_rows / side.planner_rows if side.actual_rows and side.planner_rows else None,
        gathers=bool(whole) and not whole[0].safe,
        members=table.members if table is not None else (),
        own_factor=own_factor(reckoned, side, relation) if side.parameterised and relation is not None else AS_EXPECTED,
    )


def _contradicted(printed: list[SidePath], gathered: list[SidePath]) -> bool:
    """Whether the planner would have brought a relation together by a Gather, had it been at hand: it took another."""
    return any(
        not p.order and p.path.total_cost > STD_FUZZ_FACTOR * g.path.total_cost for p in printed for g in gathered
    )


def _rows(
    settings: CostSettings,
    facts: JoinFacts,
    side: Side,
    relation: KnownRelation | None,
    table: PartitionedTable | None,
) -> tuple[float, int]:
    """A side's estimated rows over all processes, and the workers among whom it was planned to be divided."""
    if side.parameterised and relation is not None:
        return relation.rows, 0
    if side.parameterised and table is not None:
        return table.rows, 0
    workers = (side.workers or facts.workers) if facts.workers > 0 else 0
    if relation is not None and side.workers > 0:
        printed = partial_rows(settings, relation.rows, side.workers)
        return (relation.rows if printed == side.planner_rows else side.planner_rows * side.processes), workers
    return side.planner_rows * side.processes, workers


def _is_leaf(reckoned: ReckonedTree, side: Side) -> bool:
    """Whether a side that is no table's scan is the planner's one relation all the same."""
    return isinstance(reckoned.tree.nodes[side.node], _LEAVES) or is_computed(reckoned.tree, side)


def _gathered_scan(reckoned: ReckonedTree, side: Side) -> Side | None:
    """The one relation's scan that a Gather brings together, where that is what a side is."""
    tree = reckoned.tree
    node = tree.nodes[side.node]
    fed = tree.only_input(side.node)
    if not isinstance(node, GatherNode) or node.single_copy or fed is None:
        return None
    child = side_facts(reckoned, fed, parameterised=False)
    return child if child.scan is not None else None


def _parameters(
    case: JoinAtHand, side: Side, known: CatalogFacts, keys: list[KeyInput], equal: EqualColumns
) -> tuple[tuple[tuple[float, float | None], ...], ...]:
    """For each key of a side the relations below it that could give its value, with their rows expected and come."""
    reckoned = case.reckoned
    members = Members(reckoned.tree)
    found: list[tuple[tuple[float, float | None], ...]] = []
    for key in keys if not is_computed(reckoned.tree, side) else ():
        names = equal.aliases(key.alias, key.column) if key.alias is not None else frozenset()
        here = tuple(given for alias in sorted(names) if (given := _giver(reckoned, known, members, side, alias)))
        if here:
            found.append(here)
    if found:
        return tuple(found)
    actual = None if side.actual_rows is None else side.actual_rows * side.processes
    return (((side.planner_rows * side.processes, actual),),)


def _giver(
    reckoned: ReckonedTree, known: CatalogFacts, members: Members, side: Side, alias: str
) -> tuple[float, float | None] | None:
    """Rows expected and come of a relation below a side, None where none of that alias is there.

    A partitioned table counts as one relation, whose rows are those of its partitions together
    (set_append_rel_size in optimizer/path/allpaths.c).
    """
    below = range(side.node, reckoned.tree.end[side.node])
    number = known.scan_of(alias)
    if number is not None:
        return (
            (_own_rows(reckoned, known, alias, number), _counted(reckoned, known, alias)) if number in below else None
        )
    scans = [scan for scan in members.scans_of(alias) if scan in below]
    if not scans:
        return None
    parts = [side_facts(reckoned, scan, parameterised=False) for scan in scans]
    rows = sum(part.planner_rows * part.processes for part in parts)
    counted = all(reckoned.counts[scan].state == "exact" for scan in scans)
    came = [part.actual_rows * part.processes for part in parts if part.actual_rows is not None]
    return rows, sum(came) if counted and len(came) == len(parts) else None


def _own_rows(reckoned: ReckonedTree, known: CatalogFacts, alias: str, number: int) -> float:
    relation = known.by_alias(alias)
    return relation.rows if relation is not None else float(reckoned.tree.nodes[number].plan_rows or 1)


def _counted(reckoned: ReckonedTree, known: CatalogFacts, alias: str | None) -> float | None:
    """Rows per execution that came of a relation under its own conditions alone, None where they were not counted."""
    number, relation = known.scan_of(alias), known.by_alias(alias)
    if number is None or reckoned.counts[number].state != "exact":
        return None
    scan = side_facts(reckoned, number, parameterised=False)
    if relation is not None and abs(clamp_row_est(relation.rows / scan.processes) - scan.planner_rows) > 0.5:
        return None  # each execution takes a value from another relation
    return None if scan.actual_rows is None else scan.actual_rows * scan.processes


def _clause(clause: JoinClause, known: CatalogFacts, reckoned: ReckonedTree) -> ClauseInput | None:
    found = known.clause(clause)
    if found is None:
        return None
    facts, turned = found
    left, right = (
        key_of_table(column, known, reckoned.tree) or _key(side, known, reckoned)
        for side, column in zip((facts.left, facts.right), _columns_of(clause, turned), strict=True)
    )
    if facts.selectivity is None:
        return None
    scan = _scan(facts.ascending)
    given = ClauseInput(
        operator=facts.operator,
        selectivity=facts.selectivity,
        semi=facts.semi_selectivity,
        turned_semi=facts.semi_selectivity_turned,
        outer=left,
        inner=right,
        can_hash=can_hash(clause, known.abilities),
        can_merge=can_merge(clause, known.abilities),
        scan=scan,
        calls=facts.procost + left.calls + right.calls,
    )
    return given.turned() if turned else given


def _columns_of(clause: JoinClause, turned: bool) -> tuple[ColumnReference | None, ColumnReference | None]:
    """The clause's columns in the order of the catalog's sides."""
    columns = clause.outer_column, clause.inner_column
    return (columns[1], columns[0]) if turned else columns


def _key(side: ClauseSide, known: CatalogFacts, reckoned: ReckonedTree) -> KeyInput:
    relation = known.by_alias(side.alias)
    column = relation.relation.column(side.attnum) if relation is not None and side.attnum is not None else None
    row = column.statistics_of(inherited=False) or column.statistics_of(inherited=True) if column is not None else None
    fixed = column.type_length if column is not None and column.type_length > 0 else 32
    return KeyInput(
        alias=side.alias,
        text=f"{side.alias}.{column.name}" if column is not None else side.expression,
        column=column.name if column is not None else None,
        ndistinct=None if side.n_distinct_is_default else side.n_distinct,
        null_frac=side.null_frac,
        mcv_freq=side.first_mcv_freq,
        relation_rows=relation.rows if relation is not None else 0.0,
        relation_tuples=relation.size.tuples if relation is not None else 0.0,
        width=int(row.avg_width) if row is not None else fixed,
        unique=side.unique,
        relation_actual=_counted(reckoned, known, side.alias),
        calls=0.0 if column is not None else known.evaluated(side.expression),
    )


def _scan(fractions: MergeScanFractions | None) -> MergeScanSelectivity:
    if fractions is None:
        return WHOLE_SCAN
    return MergeScanSelectivity(fractions.left_start, fractions.left_end, fractions.right_start, fractions.right_end)


def _match_frac(facts: JoinFacts, known: CatalogFacts, *, turned: bool) -> float | None:
    """Share of the outer (`turned`: the inner) side's relation with a match, all clauses and restrictions together."""
    outer = {c.outer_alias for c in facts.clauses}
    inner = {c.inner_alias for c in facts.clauses}
    if len(outer) != 1 or len(inner) != 1:
        return None
    one, other = next(iter(outer)), next(iter(inner))
    if turned:
        one, other = other, one
    for pair in known.catalog.join_pairs:
        if (pair.left_alias, pair.right_alias) == (one, other) and pair.semi_rows is not None and pair.left_rows:
            return min(pair.semi_rows / pair.left_rows, 1.0)
        if (
            (pair.left_alias, pair.right_alias) == (other, one)
            and pair.semi_rows_turned is not None
            and pair.right_rows
        ):
            return min(pair.semi_rows_turned / pair.right_rows, 1.0)
    return None
