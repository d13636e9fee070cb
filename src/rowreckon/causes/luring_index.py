"""# luring_index

## What it finds
An index that makes a nested loop look cheap at a wrong estimate: without it the planner would have hashed.

So too an index in whose order a LIMIT hoped to find its rows early, while they stand far down that order.

## Why it hurts
Each outer row costs one descent into the index. At the rows that really came another method is far cheaper, and only
the index keeps the planner from it.

## Evidence it needs
A crossed nested loop whose inner side reads that index, another method being clearly the cheapest at the actual rows.
By the cost model another method is the cheapest at the estimates, too, once the index is gone. From the catalog: the
index guards no constraint and serves no foreign key, and how often the server used it.

## Remedy
First whatever cures the estimate. Only where nothing does: dropping the index, after looking at its other uses. It
mends no estimate. No drop is proposed where the index serves a key, a foreign key, an exclusion constraint, CLUSTER or
another query of the list. The same holds where no catalog tells what it serves, and where the loop costs less than
half as much again.

For a LIMIT: first an index on the filter's equality and then the order (`missing_join_index`), then statistics on the
filter. What is left is the query with its rows in a MATERIALIZED subquery, sorted and limited outside, where no order
lures. The index that gives the order is never dropped for it.

## When it is wrong
Nearly always when a statistics cure exists. The server's counters and this list of queries are not the whole workload.
A loop that finds all its pages in memory may be as fast as a method that costs half as much. Measured on 16: 58 ms
against 59. Within a recursion nothing lures: the rows of each step are taken for ten times those of its start. There
no index is named.

## References
PostgreSQL documentation, "Examining Index Usage" and pg_stat_user_indexes; "Foreign Keys",
on indexes of the referencing columns; CLUSTER.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.causes.finding import POSSIBLE, STRONG, JoinCandidate, ScanCandidate, alone, fact
from rowreckon.causes.index_uses import guards_rows, other_use
from rowreckon.causes.limited import ended_late, hoped_rows, rows_read
from rowreckon.causes.scan_indexes import design_for
from rowreckon.causes.scans import is_base_scan, relation_of, table_of
from rowreckon.causes.wording import rows as counted_rows
from rowreckon.document.audit import Missing
from rowreckon.plan.nodes import BitmapIndexScanNode, IndexScanNode
from rowreckon.remedies import checks
from rowreckon.remedies.draft import Draft
from rowreckon.remedies.indexes import dropped_index
from rowreckon.remedies.kept_from_order import kept_from_order, kept_from_the_order
from rowreckon.remedies.subject import Subject

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Index, Relation
    from rowreckon.causes.site import Context
    from rowreckon.document.audit import Join
    from rowreckon.document.base import Method
    from rowreckon.plan.tree import PlanTree

TITLE = "an index that lures the planner"

_CLEARLY = 1.5
"""The loop has to cost so many times what comes instead: others pay for a dropped index, and below that the model's own
uncertainty decides (common practice, no source)."""

_OPEN_RATIO = 2.0
"""How many times cheaper the query without the order is taken to be: nothing prices it, so half of the time is open."""


def check_join(join: Join, context: Context) -> JoinCandidate | None:
    """The index that a crossed nested loop was lured by; told only where the estimate itself has no cure."""
    if join.verdict != "crossed" or join.method != "nested_loop" or join.best_at_actual in (None, "nested_loop"):
        return None
    tree = context.tree
    if _in_recursion(tree, join.node):
        return None
    scans = [n for n in tree.subtree(join.inner.node) if is_base_scan(tree.nodes[n])]
    if len(scans) != 1:
        return None
    node = tree.nodes[scans[0]]
    name = None
    for n in tree.subtree(scans[0]):
        inside = tree.nodes[n]
        if isinstance(inside, (IndexScanNode, BitmapIndexScanNode)) and inside.index_name:
            name = inside.index_name
    relation = relation_of(node, context.catalog)
    table = table_of(node, relation)
    if name is None or table is None:
        return None
    without = _without(join, name)
    if without == "nested_loop":
        return None  # it would loop all the same, over another way in
    index = relation.index(name) if relation is not None else None
    if index is not None and guards_rows(index):
        return None
    if name.endswith(("_pkey", "_key")) and index is None:
        return None  # by PostgreSQL's naming a constraint's index, which the plan alone can't tell for sure
    evidence = [
        fact("index that the inner side reads", name, "plan"),
        fact("cheapest method at the actual rows", join.best_at_actual, join.basis),
        fact("cost of the method that ran, in times the cheapest one's", join.loss_factor, join.basis),
    ]
    if index is not None:
        evidence.append(fact("scans of the index, by the server's counters", index.idx_scan, "catalog"))
    use = other_use(index, relation) if index is not None and relation is not None else None
    if use is not None:
        evidence.append(fact("what else the index serves", use, "catalog"))
    read = node.shared_read_blocks
    if read is not None:
        evidence.append(fact("pages that the inner side read from disk", read, "plan"))
    clearly = (join.loss_factor or _CLEARLY) >= _CLEARLY
    rows = max(join.outer.actual_rows or 0.0, join.inner.actual_rows or 0.0)
    return JoinCandidate(
        code="luring_index",
        join=join,
        harms="crossed",
        last_resort=True,
        subject=Subject(
            table=table,
            relation=relation,
            index=name,
            columns=_columns(relation, index),
            curable=index is not None and use is None and clearly,
        ),
        ratio=join.loss_factor or 1.0,
        confidence=round(alone(STRONG if without is not None and index is not None else POSSIBLE), 2),
        basis="catalog" if index is not None else "plan",
        summary=f"The index {name} makes a nested loop over {counted_rows(rows)} look cheap. "
        f"Without it a {join.best_at_actual} join would be chosen, and the estimates would stay as they are."
        + _spared(use, known=index is not None, clearly=clearly),
        evidence=tuple(evidence),
    )


def check_scan(number: int, context: Context) -> ScanCandidate | None:
    """The index in whose order a LIMIT hoped to end early, where no index on filter and order can help."""
    tree, reckoned = context.tree, context.evidence.reckoned
    node, query = tree.nodes[number], context.evidence.capture.query
    hoped = hoped_rows(tree, number)
    if hoped is None or query is None or not isinstance(node, IndexScanNode) or node.index_name is None:
        return None
    relation = relation_of(node, context.catalog)
    table = table_of(node, relation)
    read = rows_read(node)
    if table is None or not ended_late(tree, number):
        return None
    if design_for(reckoned, number, context.prices) is not None or kept_from_order(query) is None:
        return None
    return ScanCandidate(
        code="luring_index",
        node=number,
        subject=Subject(
            table=table, relation=relation, index=node.index_name, alias=node.alias, of_scan=True, curable=False
        ),
        ratio=_OPEN_RATIO,
        confidence=round(alone(STRONG), 2),
        basis=context.basis,
        summary=f"In the order of the index {node.index_name} the LIMIT hoped to end after {counted_rows(hoped)} of "
        f"{table}. It read {counted_rows(read)}: those that it looked for stand far down that order.",
        evidence=(
            fact("rows after which the LIMIT hoped to end", round(hoped), "plan"),
            fact("rows read in the index's order", round(read), "plan"),
        ),
    )


def _in_recursion(tree: PlanTree, number: int) -> bool:
    """Whether a recursion runs the join once for each of its steps.

    The rows of a step are taken for ten times those of the start (set_worktable_pathlist and cost_recursive_union), so
    no index lured: and without it each step would read the table whole.
    """
    while number > 0:
        number = tree.parent[number]
        if tree.nodes[number].node_type == "Recursive Union":
            return True
    return False


def _without(join: Join, index: str) -> Method | None:
    """The method that is cheapest at the estimates without the index, None where its ways are not priced.

    A merge's ways do not name their indexes, so one that reads any is left out.
    """
    priced = [
        (way.at_estimate, method)
        for method, cost in join.costs.items()
        for way in cost.ways
        if way.at_estimate is not None and not way.hypothetical and way.index != index
        if method != "merge" or "index" not in way.access
    ]
    methods = {method for _, method in priced}
    return min(priced)[1] if "nested_loop" in methods and len(methods) > 1 else None


def _spared(use: str | None, *, known: bool, clearly: bool) -> str:
    """Why the index is not proposed to be dropped; nothing where it is."""
    if not known:
        return " Whether it serves a key or a foreign key isn't known here, so no drop is proposed."
    if use is not None:
        return f" The index serves {use}, so no drop is proposed."
    return "" if clearly else " The loop costs hardly more than that, so no drop is proposed."


def _columns(relation: Relation | None, index: Index | None) -> tuple[str, ...]:
    if relation is None or index is None:
        return ()
    return tuple(c.name for k in index.keys if k.attnum is not None and (c := relation.column(k.attnum)) is not None)


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """DROP INDEX; for the order of a LIMIT never that, but the query that sorts what it has found."""
    return kept_from_the_order(subject, capture) if subject.of_scan else dropped_index(subject, capture)


def missing(subject: Subject) -> Missing | None:
    """What the index serves, where no catalog tells it."""
    known = subject.relation is not None and subject.index is not None and subject.relation.index(subject.index)
    if known or subject.table is None or subject.of_scan:
        return None
    return Missing(
        what=f"whether the index {subject.index} of {subject.table} serves a key or a foreign key",
        why="an index that serves one is not to be dropped, and the plan doesn't tell",
        how=checks.indexes((subject.table,)),
    )
