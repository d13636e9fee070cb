"""# missing_join_index

## What it finds
A join whose inner side has no index on the join key, where one would make a nested loop the cheapest way at the rows
that really came.

## Why it hurts
Without the index every method must read the inner side whole; with few outer rows that is nearly all of the work.

## Evidence it needs
The join's modelled costs at the actual rows: a hypothetical index way that beats every existing one clearly; from the
catalog that no valid index leads with the key already.

## Remedy
CREATE INDEX on the inner join key, partial where the plan's filter always holds. Each index costs every write.

## When it is wrong
A join that truly returns half of the table gains nothing from an index; the model at the actual rows says so. Where an
index exists and is not used, a missing one is not the cause.

## References
PostgreSQL documentation, "Indexes" and CREATE INDEX; cost_index in costsize.c.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.causes.clause_kinds import compared_column, kind_of
from rowreckon.causes.finding import Subject, TableName, fact
from rowreckon.causes.scans import is_base_scan, name_of, partition_parent_alias, relation_of, table_of
from rowreckon.causes.wording import count, listed
from rowreckon.frozen import frozen
from rowreckon.plan.conditions import Clause, parse_condition
from rowreckon.plan.nodes import JoinNode, ScanNode

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation
    from rowreckon.causes.site import Context
    from rowreckon.report.document import Evidence, Join, Way

_CLEARLY = 1.5
"""An index is worth its writes only where the model sees it win by more than its own uncertainty."""


@frozen
class IndexGain:
    """A join that a new index would serve: the modelled cost ratio existing ÷ with the index, at the actual rows."""

    join: Join
    subject: Subject
    ratio: float
    confidence: float
    basis: str
    summary: str
    evidence: tuple[Evidence, ...]


def check(join: Join, context: Context) -> IndexGain | None:
    """The index that the cost model sees win at the actual rows, if any."""
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
    ratio = existing / with_index
    confidence = 0.85 if basis != "plan" else 0.6
    if join.residual is not None and not 0.7 <= join.residual <= 1.4:
        confidence *= 0.7
    inner = join.outer if way.sides_turned else join.inner
    outer = join.inner if way.sides_turned else join.outer
    if outer.count not in ("exact", "probed") and inner.count not in ("exact", "probed"):
        confidence *= 0.8
    return IndexGain(
        join=join,
        subject=Subject(table=table, relation=relation, columns=columns, predicate=predicate),
        ratio=ratio,
        confidence=round(confidence, 2),
        basis=basis,
        summary=f"{table} has no index on {listed(columns)} that this join could use: with one, {count(existing)} of "
        f"planner cost at the actual rows would become {count(with_index)}.",
        evidence=(
            fact("cheapest existing way at the actual rows, planner cost", round(existing, 2), basis),
            fact("with an index on the join key, planner cost", round(with_index, 2), basis),
            fact("rows that really drive the join", outer.actual_rows, "plan"),
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
    from rowreckon.causes.spelling import without_alias

    return without_alias(clause.text, node.alias)


def _leads(relation: Relation, columns: tuple[str, ...]) -> bool:
    """Whether a valid, complete index begins with one of the join key's columns."""
    numbers = {c.attnum for name in columns if (c := relation.column(name)) is not None}
    return any(
        i.valid and not i.partial and i.access_method == "btree" and i.keys and i.keys[0].attnum in numbers
        for i in relation.indexes
    )
