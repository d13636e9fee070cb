"""How many different keys drive a nested loop: a Memoize reads the inner side once for each, and not for each row.

Source: get_memoize_path in optimizer/path/joinpath.c, cost_memoize_rescan in optimizer/path/costsize.c; 14 to 18.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from rowreckon.cost import GroupRelation, estimate_num_groups
from rowreckon.frozen import frozen
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.sides import Side
from rowreckon.joins.from_plan.whole_table_scans import RelationEvidence
from rowreckon.learned.facts import ColumnName, relation_name
from rowreckon.plan.nodes import ScanNode


@frozen
class DrivingKeys:
    """The different values of the driving column in its whole table, that table's rows, and how many processes share
    those that drive the loop."""

    values: float
    tuples: float
    processes: float = 1.0

    def among(self, rows: float) -> float:
        """Different keys that are expected among so many rows of the table, those of one process."""
        whole = min(rows * self.processes, max(self.tuples, 1.0))
        return estimate_num_groups([GroupRelation((self.values,), whole, self.tuples)], rows)


def driving_column(case: JoinAtHand, driver: Side) -> ColumnName | None:
    """The one column whose values drive the loop, where the driving side is a table that the plan names in full."""
    node = case.reckoned.tree.nodes[driver.scan] if driver.scan is not None else None
    if not isinstance(node, ScanNode) or len(case.facts.clauses) != 1:
        return None
    (clause,) = case.facts.clauses
    column = clause.outer_column if driver is case.facts.outer else clause.inner_column
    relation = relation_name(node.schema_name, node.relation_name)
    return ColumnName(relation, column.column) if relation is not None and column is not None else None


class KeyBounds(NamedTuple):
    """The driving keys where they are as few, and as many, as other plans leave possible."""

    few: DrivingKeys
    many: DrivingKeys


def driving_keys(case: JoinAtHand, driver: Side, relations: RelationEvidence) -> KeyBounds | None:
    """The keys that drive the loop, where other plans tell how many there are at least."""
    column = driving_column(case, driver)
    node = case.reckoned.tree.nodes[driver.scan] if driver.scan is not None else None
    values = relations.distinct(column) if column is not None else None
    seen = relations.of(node) if isinstance(node, ScanNode) else None
    if values is None or seen is None or values.low <= 1.0:
        return None
    few, many = (DrivingKeys(min(v, max(seen.tuples, 1.0)), seen.tuples, driver.processes) for v in values)
    return KeyBounds(few, many)


def fewest_keys(case: JoinAtHand, relations: RelationEvidence) -> dict[int, Callable[[float], float]]:
    """For the scans of a join's sides how many different keys there are at least among so many of their rows, as far as
    other plans tell."""
    found: dict[int, Callable[[float], float]] = {}
    for side in (case.facts.outer, case.facts.inner):
        known = driving_keys(case, side, relations)
        if known is not None and side.scan is not None:
            found[side.scan] = known.few.among
    return found
