"""Which plans of an audit are of one database, and what each of them learns of its relations from the others.

It is known of captures that a sweep took on one server's database, and said by whoever asks for the audit. Else it is
inferred where plans measure a large table alike, to the page and to the row, and nothing contradicts it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.joins.learning.column_facts import distinct_values, unled_columns
from rowreckon.joins.learning.index_searches import SearchEvidence, index_facts
from rowreckon.joins.learning.plan_evidence import PlanTold, names_schemas, plan_evidence
from rowreckon.learned.facts import NOTHING_LEARNED, IndexFact, LearnedFacts, RelationName, Size
from rowreckon.learned.together import PlanEvidence, Together

if TYPE_CHECKING:
    from rowreckon.capture import Capture


class Fellows:
    """The plans of one audit, by their place in it."""

    def __init__(self, captures: Sequence[Capture], *, one_database: bool | None = None) -> None:
        """`one_database`: whether they are all of one, None where nobody says."""
        self._places = {id(capture): number for number, capture in enumerate(captures)}
        self._together: Together | None = None
        self._told: list[PlanTold] = []
        self._searches: dict[RelationName, list[tuple[int, SearchEvidence]]] = {}
        self._solved: dict[tuple[RelationName, Size, frozenset[int]], tuple[IndexFact, ...]] = {}
        self._groups: list[frozenset[int]] = []
        telling = [c for c in captures if c.explain is not None and names_schemas(c.explain.plan)]
        if one_database is False or len(telling) < 2:
            return
        self._told = [_evidence(capture) for capture in captures]
        self._together = Together([told.sizes for told in self._told])
        for number in sorted(range(len(captures)), key=self._name):
            for search in self._told[number].searches:
                self._searches.setdefault(search.relation, []).append((number, search))
        if one_database:
            self._groups = [frozenset(range(len(captures)))] * len(captures)
        else:
            self._groups = _groups(captures, self._together)
        if all(len(group) < 2 for group in self._groups):
            self._together = None

    @property
    def any_learn(self) -> bool:
        """Whether there are plans that can learn from others."""
        return self._together is not None

    def facts_for(self, capture: Capture) -> LearnedFacts:
        """What a capture's plan learns; nothing for one that is not of the audit."""
        number = self._places.get(id(capture))
        if self._together is None or number is None:
            return NOTHING_LEARNED
        learned = self._together.facts_for(number, self._groups[number])
        agreeing = self._groups[number] - self._together.contradicting(number)
        told = [self._told[other] for other in agreeing]
        indexes = self._indexes(learned, agreeing)
        distinct = distinct_values(told, learned.sizes, indexes)
        return replace(learned, indexes=indexes, distinct=distinct, unled=unled_columns(told, learned.sizes, distinct))

    def _indexes(self, learned: LearnedFacts, numbers: frozenset[int]) -> dict[RelationName, tuple[IndexFact, ...]]:
        """The indexes of relations of known size that these plans searched."""
        found: dict[RelationName, tuple[IndexFact, ...]] = {}
        for relation, fact in learned.sizes.items():
            size = fact.size.settled()
            if not size.exact or size.pages.low <= 0.0:
                continue
            searches = self._searches.get(relation, [])
            chosen = frozenset(at for at, (number, _) in enumerate(searches) if number in numbers)
            key = (relation, size, chosen)
            if key not in self._solved:
                self._solved[key] = index_facts([searches[at][1] for at in sorted(chosen)], size)
            if self._solved[key]:
                found[relation] = self._solved[key]
        return found

    def _name(self, number: int) -> str:
        return self._told[number].sizes.plan


def _evidence(capture: Capture) -> PlanTold:
    if capture.explain is None or not names_schemas(capture.explain.plan):
        return PlanTold(PlanEvidence(capture.name, 0, frozenset(), ()), ())
    return plan_evidence(capture, reckoned_of(capture))


def _groups(captures: Sequence[Capture], together: Together) -> list[frozenset[int]]:
    """For each capture those of its database: of the same run's, else those that agree with it."""
    of_run: dict[tuple[str, int], set[int]] = {}
    alone: list[int] = []
    for number, capture in enumerate(captures):
        run = capture.session.run if capture.session is not None else None
        if run is not None:
            of_run.setdefault((run.server, run.database), set()).add(number)
        else:
            alone.append(number)
    found = [frozenset({number}) for number in range(len(captures))]
    for group in (*of_run.values(), *_agreeing(alone, together)):
        for number in group:
            found[number] = frozenset(group)
    return found


def _agreeing(numbers: Sequence[int], together: Together) -> list[set[int]]:
    """Plans that hang together by tables which they measure alike; none of a group that contradicts itself."""
    left, found = set(numbers), []
    while left:
        group, newer = set[int](), {min(left)}
        while newer:
            group |= newer
            newer = {other for number in newer for other in together.agreeing(number)} & (left - group)
        left -= group
        if len(group) > 1 and together.consistent(group):
            found.append(group)
    return found
