"""What a plan tells of the size of its relations: from whole scans of them, wherever in the plan they stand.

A sequential scan reads every page and every tuple: its printed cost is seq_page_cost × pages + (cpu_tuple_cost + quals
× cpu_operator_cost) × tuples. BUFFERS counts the pages (with no shared block missing), rows and rows removed count the
tuples, and either gives the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from rowreckon.cost import CostSettings
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.learned.facts import NOTHING_LEARNED, Bounds, ColumnName, IndexFact, LearnedFacts, relation_name
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import ScanNode
from rowreckon.plan.tree import base_name

_Name = tuple[str | None, str]
"""A relation's schema, where the plan tells it, and its name."""


@frozen
class SeenRelation:
    """Pages and tuples of a relation that the plan scans from end to end; `learned` where other plans tell them."""

    pages: float
    tuples: float
    learned: bool = False


class RelationEvidence:
    """Sizes of the relations of one plan, by name; each is worked out when it is first asked for."""

    def __init__(
        self,
        settings: CostSettings,
        reckoned: ReckonedTree,
        learned: LearnedFacts = NOTHING_LEARNED,
        dumped: Mapping[_Name, SeenRelation] = MappingProxyType({}),
    ) -> None:
        """`dumped` are sizes as a statistics dump tells them, which count where the plan's costs agree."""
        self._settings = settings
        self._dumped = dumped
        self._learned = learned
        self._reckoned = reckoned
        self._seen: dict[_Name, SeenRelation | None] = {}
        self._others: frozenset[str] | None = None
        self._scans: dict[_Name, list[int]] = {}
        for number, node in enumerate(reckoned.tree.nodes):
            if node.node_type == "Seq Scan" and isinstance(node, ScanNode) and node.relation_name:
                self._scans.setdefault((node.schema_name, node.relation_name), []).append(number)

    def stored(self, names: tuple[str, ...]) -> tuple[str, ...]:
        """Of what leaves read the relations: a function, a CTE or a list of values has no statistics to ask for."""
        if self._others is None:
            # pydantic looks long for a key that a family of nodes never carries
            read = [(base_name(n), bool(n.__dict__.get("relation_name"))) for n in self._reckoned.tree.nodes]
            relations = {name for name, is_stored in read if is_stored}
            self._others = frozenset(name for name, _ in read if name is not None and name not in relations)
        return tuple(name for name in names if name not in self._others) if self._others else names

    def of(self, node: ScanNode) -> SeenRelation | None:
        """The size of the relation that a node scans: as learned, else by a scan from end to end, else None."""
        name = (node.schema_name, node.relation_name or "")
        if name not in self._seen:
            found = (_whole_scan(self._settings, self._reckoned, at) for at in self._scans.get(name, ()))
            self._seen[name] = self._told(*name) or next((seen for seen in found if seen is not None), None)
        return self._seen[name]

    @property
    def learned(self) -> LearnedFacts:
        """What other plans tell."""
        return self._learned

    @property
    def any_learned(self) -> bool:
        """Whether other plans tell of this one's relations."""
        return bool(self._learned.sizes)

    def by_this_plan(self) -> RelationEvidence:
        """What the plan tells by itself."""
        return RelationEvidence(self._settings, self._reckoned, dumped=self._dumped)

    def lacks_size(self, node: ScanNode) -> bool:
        """Whether other plans are at hand that could tell a relation's size, and none of them does."""
        named = relation_name(node.schema_name, node.relation_name) is not None
        return named and self._learned is not NOTHING_LEARNED and self.of(node) is None

    def indexes(self, node: ScanNode) -> tuple[IndexFact, ...]:
        """The indexes of the relation that a node scans, as far as other plans tell of them."""
        return self._learned.indexes_on(node.schema_name, node.relation_name)

    def distinct(self, column: ColumnName) -> Bounds | None:
        """How many different values a column has, None where no other plan tells."""
        fact = self._learned.distinct.get(column)
        return fact.values if fact is not None else None

    def dumped(self, node: ScanNode) -> SeenRelation | None:
        """The size of a relation by a statistics dump, which may be older or newer than the plan."""
        return self._dumped.get((node.schema_name, node.relation_name or ""))

    def _told(self, schema: str | None, name: str) -> SeenRelation | None:
        fact = self._learned.size(schema, name)
        size = fact.size.settled() if fact is not None else None
        if size is None or not size.exact or size.pages.low <= 0.0:
            return None
        return SeenRelation(size.pages.low, size.rows.low, learned=True)


def _whole_scan(settings: CostSettings, reckoned: ReckonedTree, number: int) -> SeenRelation | None:
    node = reckoned.tree.nodes[number]
    if node.total_cost is None or not node.loops or node.actual_rows is None:
        return None
    if reckoned.counts[number].state != "exact" or (node.loops > 1 and not node.parallel_aware):
        return None
    tuples = (float(node.actual_rows) + float(node.rows_removed_by_filter or 0)) * node.loops
    calls = len(parse_condition(node.filter).clauses) if node.filter else 0
    per_tuple = settings.cpu_tuple_cost + settings.cpu_operator_cost * calls
    divisor = reckoned.parallelism.divisor(number)
    pages = (float(node.total_cost) - per_tuple * tuples / divisor) / max(settings.seq_page_cost, 1e-9)
    if node.shared_hit_blocks is not None and node.shared_read_blocks is not None:
        read = float(node.shared_hit_blocks) + float(node.shared_read_blocks)
        if read > 0:
            pages = read
    return SeenRelation(pages, tuples) if pages > 0 else None
