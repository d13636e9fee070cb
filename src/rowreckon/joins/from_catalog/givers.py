"""The relations whose rows decide how often a join's inner side is searched, with their rows expected and come."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.cost.units import clamp_row_est
from rowreckon.joins.facts.inputs import KeyInput
from rowreckon.joins.facts.sides import side_facts
from rowreckon.joins.from_catalog.computed_sides import is_computed
from rowreckon.joins.from_catalog.equal_columns import EqualColumns
from rowreckon.plan.partitions import Members

if TYPE_CHECKING:
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.join_at_hand import JoinAtHand
    from rowreckon.joins.facts.sides import Side


def parameters_of(
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
            (_own_rows(reckoned, known, alias, number), counted_rows(reckoned, known, alias))
            if number in below
            else None
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


def counted_rows(reckoned: ReckonedTree, known: CatalogFacts, alias: str | None) -> float | None:
    """Rows per execution that came of a relation under its own conditions alone, None where they were not counted."""
    number, relation = known.scan_of(alias), known.by_alias(alias)
    if number is None or reckoned.counts[number].state != "exact":
        return None
    scan = side_facts(reckoned, number, parameterised=False)
    if relation is not None and abs(clamp_row_est(relation.rows / scan.processes) - scan.planner_rows) > 0.5:
        return None  # each execution takes a value from another relation
    return None if scan.actual_rows is None else scan.actual_rows * scan.processes
