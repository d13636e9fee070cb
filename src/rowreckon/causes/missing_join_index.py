"""# missing_join_index

## What it finds
A join whose inner side has no index on the join key. One would make a nested loop the cheapest way at the rows that
came. Or it has only one that fetches many rows which the scan's filter then discards.

So too a scan that most of the time goes to and that keeps hardly any of the rows that it reads. It may be read whole
for each row outside of it (LATERAL, a subquery). Or it reads in an index's order, under a LIMIT that hoped to end
early.

## Why it hurts
Without the index every method must read the inner side whole; with few outer rows that is nearly all of the work. With
an index on the join key alone each loop fetches all rows of a key, page by page, to keep a few.

## Evidence it needs
The join's modelled costs at the actual rows: an index not yet built beats every existing way clearly. The rows that the
filter removed per loop. From the catalog: the columns' statistics and the indexes that there are.

Of a scan alone: half of the time, ten rows read for each one kept, and a modelled cost ten times that with the index.
Where a table is read once, for no LIMIT, it also has to take a tenth of a second.

## Remedy
CREATE INDEX: the join key's columns first, then the filter's columns under equality, then one under a range. Columns
are included where the table itself then need not be read and the model sees that pay. It is partial where a flag, a
null test or the like always holds. Each only where it is clearly cheaper than the simpler index. Each index costs
every write.

Under a LIMIT: the columns under equality, then those of the order, so that the scan ends after the rows that it gives.
Where an index gives the order and the filter has no equality, look at the filter's statistics next. What is left is to
keep the LIMIT from the order (a MATERIALIZED subquery). Never drop the index that gives the order: others sort by it.

## When it is wrong
A query that runs once a day may not be worth what each write pays. A join that truly returns half of the table gains
nothing from an index. The model at the actual rows says so. Where
VACUUM has not been there for long, an index that holds all columns still sends the scan to the table.

## References
PostgreSQL documentation, "Multicolumn Indexes", "Indexes and ORDER BY", "Index-Only Scans and Covering Indexes",
"Partial Indexes" and CREATE INDEX; cost_index in costsize.c.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.causes.clause_kinds import compared_column, kind_of
from rowreckon.causes.finding import STRONG, JoinCandidate, ScanCandidate, alone, fact
from rowreckon.causes.index_designs import best_design
from rowreckon.causes.scan_indexes import design_for
from rowreckon.causes.scans import is_base_scan, name_of, partition_parent_alias, relation_of, table_of
from rowreckon.causes.wording import count, listed, rows
from rowreckon.plan.conditions import Clause, parse_condition
from rowreckon.plan.node_texts import clauses_at
from rowreckon.plan.nodes import JoinNode, ScanNode
from rowreckon.remedies.draft import Draft
from rowreckon.remedies.indexes import new_index
from rowreckon.remedies.subject import Subject, TableName

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation
    from rowreckon.causes.index_designs import IndexDesign
    from rowreckon.causes.index_prices import SidePrices
    from rowreckon.causes.site import Context
    from rowreckon.document.audit import Join, Way

TITLE = "no index that serves what is read"

_CLEARLY = 1.5
"""An index is worth its writes only where the model sees it win by more than its own uncertainty."""


def check_join(join: Join, context: Context) -> JoinCandidate | None:
    """The index that the cost model sees win at the actual rows, if any."""
    sides = context.prices.sides(join)
    if not sides:
        return _from_ways(join, context)
    sides = tuple(s for s in sides if s.existing > _CLEARLY * s.least)
    designs = [(s, d) for s in sides if (d := best_design(s, parameters=_generic(context, s.scan))) is not None]
    if not designs:
        return None
    side, design = min(designs, key=lambda pair: pair[1].cost)
    if side.existing <= _CLEARLY * design.cost:
        return None
    return _of_design(join, context, side, design)


def _of_design(join: Join, context: Context, side: SidePrices, design: IndexDesign) -> JoinCandidate:
    relation = side.relation.relation
    table = name_of(relation)
    seen = min((c.at_estimate for c in join.costs.values() if c.at_estimate is not None), default=None)
    # At its own estimates the planner may not want the index that the actual rows call for.
    wanted = seen is None or design.cost_at_estimate < seen
    confidence = _confidence(join, "catalog", turned=side.order.turned) * (1.0 if wanted else 0.5)
    leading = _leading(relation, design.columns)
    index = listed(design.columns) + (f" including {listed(design.included)}" if design.included else "")
    index += f" for the rows where {design.predicate}" if design.predicate else ""
    if side.fetched is not None and side.fetched.discarded >= 0.5:
        story = f"each loop fetches {rows(side.fetched.rows)} of {table} and its filter discards "
        story += f"{count(side.fetched.discarded)} of them. With an index on {index}"
    elif leading is not None:
        story = f"the index {leading} of {table} does not hold what this join needs. With one on {index}"
    else:
        story = f"there is no index on {index} of {table} that this join could use. With one"
    summary = f"{story[0].upper()}{story[1:]}, the cost at the actual rows falls from {count(side.existing)} to "
    summary += f"{count(design.cost)}, by the cost model."
    if not wanted:
        summary += " At its own estimates the planner would not take it: the estimates have to be mended as well."
    outer = join.inner if side.order.turned else join.outer
    evidence = [
        fact("cheapest existing way at the actual rows, planner cost", round(side.existing, 2), "catalog"),
        fact("with the new index, planner cost", round(design.cost, 2), "catalog"),
        fact("rows that drive the join", outer.actual_rows, "plan"),
        fact("pages of the new index, as modelled", design.pages, "catalog"),
    ]
    if side.fetched is not None:
        evidence.append(fact("rows fetched by the existing index, per loop", side.fetched.rows, "plan"))
        evidence.append(fact("rows discarded by the filter after that, per loop", side.fetched.discarded, "plan"))
    if design.included and relation.relpages:
        visible = round(100 * relation.relallvisible / relation.relpages)
        evidence.append(fact("pages of the table that are all-visible, percent", visible, "catalog"))
    subject = Subject(
        table=table,
        relation=relation,
        columns=design.columns,
        included=design.included,
        predicate=design.predicate,
        pages=design.pages,
        prefix_of_new=leading if design.predicate is None else None,
    )
    return JoinCandidate(
        code="missing_join_index",
        join=join,
        harms="time",
        subject=subject,
        ratio=side.existing / design.cost,
        confidence=round(confidence, 2),
        basis="catalog",
        summary=summary,
        evidence=tuple(evidence),
    )


def check_scan(number: int, context: Context) -> ScanCandidate | None:
    """The index that would spare a scan nearly all of its reading, by the rows that it read and kept."""
    design = design_for(context.evidence.reckoned, number, context.prices)
    relation = relation_of(context.tree.nodes[number], context.catalog)
    if design is None or relation is None:
        return None
    table, reads = name_of(relation), design.reads
    again = f" in each of {count(reads.executions)} loops" if reads.executions > 1 else ""
    wanted = "take" if reads.limit is not None and reads.limit.sorts else "keep"
    few = "under 1" if 0 < reads.kept < 1 else count(reads.kept)
    columns = listed(tuple(_key_words(c, design.directions) for c in design.columns))
    return ScanCandidate(
        code="missing_join_index",
        node=number,
        subject=Subject(
            table=table,
            relation=relation,
            columns=design.columns,
            directions=design.directions,
            pages=design.pages,
            of_scan=True,
        ),
        ratio=design.existing / design.cost,
        confidence=round(alone(STRONG), 2),
        basis="catalog",
        summary=f"{context.tree.nodes[number].node_type} on {table} read {rows(reads.read)} to {wanted} {few}{again}. "
        f"With an index on {columns}, its cost at these rows falls from {count(design.existing)} to "
        f"{count(design.cost)}, by the cost model.",
        evidence=(
            fact("rows read, each time", round(reads.read), "plan"),
            fact("rows wanted of them, each time", round(reads.kept, 2), "plan"),
            fact("times that it ran", round(reads.executions), "plan"),
            fact("cost of the scan at these rows, planner cost", round(design.existing, 2), "catalog"),
            fact("with the new index, planner cost", round(design.cost, 2), "catalog"),
            fact("pages of the new index, as modelled", design.pages, "catalog"),
        ),
    )


def _key_words(column: str, directions: tuple[tuple[str, str], ...]) -> str:
    return f"{column} {words}" if (words := dict(directions).get(column)) else column


def _confidence(join: Join, basis: str, *, turned: bool) -> float:
    confidence = alone(STRONG) if basis != "plan" else 0.6
    if join.residual is not None and not 0.7 <= join.residual <= 1.4:
        confidence *= 0.7
    inner = join.outer if turned else join.inner
    outer = join.inner if turned else join.outer
    if outer.count not in ("exact", "probed") and inner.count not in ("exact", "probed"):
        confidence *= 0.8
    return confidence


def _generic(context: Context, scan: int) -> bool:
    """Whether a generic plan's parameters stand in the scan's conditions."""
    return any(clause.parameters for clause in clauses_at(context.tree.nodes[scan]))


def _leading(relation: Relation, columns: tuple[str, ...]) -> str | None:
    """A valid index, neither partial nor unique, all of whose columns lead the new one's, in whatever order."""
    numbers = [c.attnum for name in columns if (c := relation.column(name)) is not None]
    for index in relation.indexes:
        keys = {k.attnum for k in index.keys}
        plain = index.valid and not index.partial and not index.unique and index.access_method == "btree"
        if plain and not index.included and None not in keys and keys == set(numbers[: len(keys)]):
            return index.name
    return None


def _from_ways(join: Join, context: Context) -> JoinCandidate | None:
    """From the ways that the join's document lists, where the catalog tells too little to design an index."""
    best = _best_way(join)
    if best is None:
        return None
    way, existing, with_index = best
    side = join.outer.node if way.sides_turned else join.inner.node
    target = _target(context, join, side)
    if target is None:
        return None
    table, relation, columns, predicate = target
    if relation is not None and _leads(relation, columns):
        return None
    cost = join.costs.get("nested_loop")
    basis = (cost.basis_at_actual if cost is not None else None) or join.basis
    outer = join.inner if way.sides_turned else join.outer
    return JoinCandidate(
        code="missing_join_index",
        join=join,
        harms="time",
        subject=Subject(table=table, relation=relation, columns=columns, predicate=predicate),
        ratio=existing / with_index,
        confidence=round(_confidence(join, basis, turned=way.sides_turned), 2),
        basis=basis,
        summary=f"There is no index on {listed(columns)} of {table} that this join could use. With one, the cost at "
        f"the actual rows falls from {count(existing)} to {count(with_index)}, by the cost model.",
        evidence=(
            fact("cheapest existing way at the actual rows, planner cost", round(existing, 2), basis),
            fact("with an index on the join key, planner cost", round(with_index, 2), basis),
            fact("rows that drive the join", outer.actual_rows, "plan"),
        ),
    )


def _best_way(join: Join) -> tuple[Way, float, float] | None:
    existing = [c.at_actual for c in join.costs.values() if c.at_actual is not None]
    ways = [w for c in join.costs.values() for w in c.ways if w.hypothetical and w.at_actual is not None]
    if not existing or not ways:
        return None
    way = min(ways, key=lambda w: w.at_actual or 0.0)
    cheapest, with_index = min(existing), max(way.at_actual or 0.0, 0.01)
    return (way, cheapest, with_index) if cheapest > _CLEARLY * with_index else None


def _target(
    context: Context, join: Join, side: int
) -> tuple[TableName, Relation | None, tuple[str, ...], str | None] | None:
    """The table on that side, and its columns in the join's equalities; None unless one relation stands there."""
    tree = context.tree
    scans = [n for n in tree.subtree(side) if is_base_scan(tree.nodes[n])]
    if not scans or any(isinstance(tree.nodes[n], JoinNode) for n in tree.subtree(side)):
        return None
    first = tree.nodes[scans[0]]
    assert isinstance(first, ScanNode)
    relation = relation_of(first, context.catalog)
    table = table_of(first, relation)
    aliases = {a for n in scans if (a := getattr(tree.nodes[n], "alias", None))}
    if len(scans) > 1:
        parents = {partition_parent_alias(tree, n) for n in scans}
        parent = context.parent_of(relation)
        if len(parents) != 1 or None in parents or parent is None:
            return None
        relation, table = parent, name_of(parent)
        aliases |= {p for p in parents if p is not None}
    if table is None:
        return None
    columns: dict[str, None] = {}
    for clause in _equalities(context, join):
        for reference in (clause.left_column, clause.right_column):
            if reference is not None and reference.table in aliases:
                columns[reference.column] = None
    if not columns:
        return None
    predicate = _predicate(first, relation) if len(scans) == 1 else None
    return table, relation, tuple(columns), predicate


def _equalities(context: Context, join: Join) -> list[Clause]:
    node = context.tree.nodes[join.node]
    if not isinstance(node, JoinNode):
        return []
    texts = [t for t in (node.hash_cond, node.merge_cond, node.join_filter) if t is not None]
    if not texts:  # a parameterised inner side bears the condition itself
        for n in context.tree.subtree(join.inner.node):
            texts.extend(t for k in ("filter", "index_cond") if (t := getattr(context.tree.nodes[n], k, None)))
    return [c for t in texts for c in parse_condition(t).clauses if c.is_equality]


def _predicate(node: ScanNode, relation: Relation | None) -> str | None:
    """A filter that stands for a kind of row (a flag, a null test) and hence makes the index partial."""
    if node.filter is None:
        return None
    condition = parse_condition(node.filter)
    if not condition.parsed or len(condition.clauses) != 1:
        return None
    clause = condition.clauses[0]
    if kind_of(clause, relation) not in ("flag", "null_test") or compared_column(clause, relation) is None:
        return None
    from rowreckon.sql.spelling import without_alias

    return without_alias(clause.text, node.alias)


def _leads(relation: Relation, columns: tuple[str, ...]) -> bool:
    """Whether a valid, complete index begins with one of the join key's columns."""
    numbers = {c.attnum for name in columns if (c := relation.column(name)) is not None}
    return any(
        i.valid and not i.partial and i.access_method == "btree" and i.keys and i.keys[0].attnum in numbers
        for i in relation.indexes
    )


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """CREATE INDEX on the columns that the model saw win."""
    return new_index(subject, capture)
