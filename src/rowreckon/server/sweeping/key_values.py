"""Which join keys a filter fixes: of a misestimated join's filtered table, whether all rows kept have one key.

The rows that decide it were read by the query itself, so that each question is no more work than one of its scans; it
is judged, limited and rolled back as a query of the list is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import Final

from rowreckon.capture import KeyValue
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.plan.node_texts import clauses_at
from rowreckon.plan.nodes import ScanNode
from rowreckon.plan.tree import PlanTree
from rowreckon.remedies.key_value import look_up
from rowreckon.server.executing.execute import Executor
from rowreckon.server.executing.transaction import ItemTransaction
from rowreckon.server.lists.querylist import QueryItem

_MOST_QUESTIONS: Final = 4
_LIMIT_MS: Final = 1000


def key_values(executor: Executor, item: QueryItem, tree: PlanTree, joins: Sequence[JoinFacts]) -> tuple[KeyValue, ...]:
    """The keys of these joins that have one value, as far as the server says so within a second each."""
    if item.prepared or item.kind != "query":
        return ()
    found: list[KeyValue] = []
    asked = 0
    for scan, alias, column, columns in dict.fromkeys(_filtered_keys(tree, joins)):
        statement = look_up(item.text, alias, column, columns)
        if statement is None or asked >= _MOST_QUESTIONS:
            continue
        asked += 1
        values: list[str | None] = []
        question = replace(item, text=statement, parameters=False, written=None, reason=None)
        ending, _ = executor.timed_attempt(question, partial(_ask, statement=statement, values=values))
        if ending.lost:
            break
        node = tree.nodes[scan]
        if len(values) == 1 and values[0] is not None and isinstance(node, ScanNode) and node.relation_name:
            found.append(
                KeyValue(
                    alias=alias,
                    column=column,
                    table=node.relation_name,
                    schema_name=node.schema_name,
                    value=values[0],
                )
            )
    return tuple(found)


def _ask(inside: ItemTransaction, *, statement: str, values: list[str | None]) -> None:
    values += inside.texts(statement, _LIMIT_MS)


def _filtered_keys(tree: PlanTree, joins: Sequence[JoinFacts]) -> Iterator[tuple[int, str, str, frozenset[str]]]:
    """Scan, alias, key column and the columns of the scan's own filter, for each filtered side of an equality."""
    scans = {node.alias: n for n, node in enumerate(tree.nodes) if isinstance(node, ScanNode) and node.alias}
    for join in joins:
        for clause in join.clauses if join.equality else ():
            for key in (clause.outer_column, clause.inner_column):
                number = scans.get(key.table) if key is not None and key.table is not None else None
                if key is None or key.table is None or number is None or not clause.is_equality:
                    continue
                own = [c for c in clauses_at(tree.nodes[number]) if c.columns and c.tables <= {key.table}]
                columns = frozenset(reference.column for c in own for reference in c.columns)
                if columns:
                    yield number, key.table, key.column, columns
