"""All that one plan tells of its relations, for the other plans of its database."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from rowreckon.joins.facts.settings import settings_of
from rowreckon.joins.learning.driving_loops import DrivingEvidence, driving_in
from rowreckon.joins.learning.group_counts import GroupEvidence, groups_in
from rowreckon.joins.learning.hashed_keys import HashedEvidence, hashed_in
from rowreckon.joins.learning.index_searches import SearchEvidence, searches_in
from rowreckon.joins.learning.table_scans import Reading, scan_evidence
from rowreckon.joins.learning.unled_columns import UnledEvidence, unled_in
from rowreckon.learned.facts import RelationName, relation_name
from rowreckon.learned.together import PlanEvidence
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.node_texts import conditions_at
from rowreckon.plan.nodes import ScanNode

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.learned.evidence import SizeEvidence
    from rowreckon.plan.base import PlanNode
    from rowreckon.plan.tree import PlanTree

_DISABLED = 1.0e10
"""What a method that was switched off is charged up to 17 (disable_cost in optimizer/path/costsize.c)."""


def names_schemas(root: PlanNode) -> bool:
    """Whether a plan names the schema of a relation that it reads (EXPLAIN's VERBOSE)."""
    nodes = [root]
    while nodes:
        node = nodes.pop()
        if isinstance(node, ScanNode) and node.schema_name is not None:
            return True
        nodes.extend(node.plans or ())
    return False


class PlanTold(NamedTuple):
    """What one plan tells: sizes, the searches of its indexes, how many groups whole tables have, which columns
    lead no index, how many rows share a hashed value, and how many values drive a loop."""

    sizes: PlanEvidence
    searches: tuple[SearchEvidence, ...]
    groups: tuple[GroupEvidence, ...] = ()
    unled: tuple[UnledEvidence, ...] = ()
    hashed: tuple[HashedEvidence, ...] = ()
    driving: tuple[DrivingEvidence, ...] = ()


def plan_evidence(capture: Capture, reckoned: ReckonedTree) -> PlanTold:
    """What a capture's plan tells of relations whose schema it names.

    A plan from a cache, whose sizes are those of an unknown time, tells nothing and is told nothing; nor does one with
    a method that was switched off, whose costs are drowned in what that is charged.
    """
    tree = reckoned.tree
    settings, lacking = settings_of(capture, tree)
    version = capture.server_version
    release = 0 if version is None else version // 10000 if version >= 10000 else version
    reads: set[RelationName] = set()
    told: list[SizeEvidence] = []
    searches: tuple[SearchEvidence, ...] = ()
    groups: tuple[GroupEvidence, ...] = ()
    unled: tuple[UnledEvidence, ...] = ()
    hashed: tuple[HashedEvidence, ...] = ()
    driving: tuple[DrivingEvidence, ...] = ()
    if not (_from_cache(tree) or any((node.total_cost or 0.0) >= _DISABLED for node in tree.nodes)):
        reading = Reading(settings, not lacking, reckoned, capture.name, capture.captured_at)
        for number, node in enumerate(tree.nodes):
            relation = relation_name(node.schema_name, node.relation_name) if isinstance(node, ScanNode) else None
            if relation is None:
                continue
            reads.add(relation)
            evidence = scan_evidence(reading, number, relation)
            if evidence is not None:
                told.append(evidence)
        searches = tuple(searches_in(reading, capture.query))
        groups = tuple(groups_in(reading))
        unled, hashed = tuple(unled_in(reading)), tuple(hashed_in(reading))
        driving = tuple(driving_in(reading))
    sizes = PlanEvidence(capture.name, release, frozenset(reads), tuple(told))
    return PlanTold(sizes, searches, groups, unled, hashed, driving)


def _from_cache(tree: PlanTree) -> bool:
    """Whether a condition names a parameter: then the plan may have been made long before it ran."""
    return any(
        clause.parameters
        for node in tree.nodes
        for text in conditions_at(node)
        for clause in parse_condition(text).clauses
    )
