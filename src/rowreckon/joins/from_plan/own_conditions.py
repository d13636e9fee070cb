"""What a scan asks of its table by itself, written so that plans which name the table otherwise can be compared."""

from __future__ import annotations

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.sides import Side
from rowreckon.plan.conditions import Clause, parse_condition
from rowreckon.plan.nodes import ScanNode


def own_conditions(reckoned: ReckonedTree, side: Side) -> frozenset[str] | None:
    """What a side's scan asks of its table, without the table's alias; None where that can't be read."""
    node = reckoned.tree.nodes[side.scan] if side.scan is not None else None
    if not isinstance(node, ScanNode):
        return None
    if not node.filter:
        return frozenset() if node.node_type == "Seq Scan" else None
    condition = parse_condition(node.filter)
    if not condition.parsed or node.node_type != "Seq Scan":
        return None
    return frozenset(_written(clause) for clause in condition.clauses)


def _written(clause: Clause) -> str:
    """A condition as it is compared with another plan's: of a column with a value without the table's alias."""
    column = clause.left_column
    plain = clause.is_plain_column and column is not None and clause.constant is not None
    return f"{column.column} {clause.operator} {clause.right_text}" if plain and column is not None else clause.text
