"""Plans of one database together: for each, what those tell that do not contradict it.

Two plans contradict each other where no size of a relation agrees with both: it has changed between them, or they are
of different databases. Each plan then learns from those alone that fit it. Facts are never averaged: where the plans
that fit one contradict each other about a relation that it does not measure itself, it learns nothing of that relation.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rowreckon.frozen import frozen
from rowreckon.learned.evidence import SizeClue, SizeEvidence
from rowreckon.learned.facts import LearnedFacts, RelationName, Size, SizeFact, Source
from rowreckon.learned.solve import solved

_Clues = frozenset[SizeClue]
_LEAST_TELLING = 30.0
"""Pages from which on the same size is no coincidence: small tables are alike in many databases (common practice, no
source)."""


@frozen
class PlanEvidence:
    """What one plan tells: `plan` is its name, `release` its server's (0: not told), `reads` its relations."""

    plan: str
    release: int
    reads: frozenset[RelationName]
    told: tuple[SizeEvidence, ...]


class Together:
    """The evidence of several plans of one database; what one of them learns is worked out when it is asked for."""

    def __init__(self, plans: Sequence[PlanEvidence]) -> None:
        """`plans` in any order: what each learns does not hang on it."""
        self._plans = plans
        self._of = [_by_relation(plan.told) for plan in plans]
        self._tellers: dict[RelationName, dict[_Clues, list[int]]] = {}
        for number, told in enumerate(self._of):
            for relation, clues in told.items():
                self._tellers.setdefault(relation, {}).setdefault(clues, []).append(number)
        self._solved: dict[_Clues, Size | None] = {}

    def contradicting(self, number: int) -> frozenset[int]:
        """The plans that contradict this one: by another release, or by another size of a relation."""
        mine = self._plans[number]
        # what reads no relation, as a query that failed, tells nothing that could contradict
        found = {o for o, plan in enumerate(self._plans) if plan.reads and plan.release != mine.release}
        for relation, clues in self._of[number].items():
            for other, tellers in self._tellers[relation].items():
                if other != clues and self._size(clues | other) is None:
                    found.update(tellers)
        return frozenset(found)

    def agreeing(self, number: int) -> frozenset[int]:
        """The plans that measure a relation of some pages as this one does, to the page and to the row."""
        found: set[int] = set()
        for relation, clues in self._of[number].items():
            mine = self._size(clues)
            if mine is None or not mine.exact or mine.pages.low < _LEAST_TELLING:
                continue
            for other, tellers in self._tellers[relation].items():
                if self._size(other) == mine:
                    found.update(tellers)
        return frozenset(found)

    def consistent(self, numbers: Iterable[int]) -> bool:
        """Whether these plans are of one release and there is a size of each relation that agrees with all of them."""
        left = frozenset(number for number in numbers if self._plans[number].reads)
        if len({self._plans[number].release for number in left}) > 1:
            return False
        for by_clues in self._tellers.values():
            heard = frozenset(c for clues, tellers in by_clues.items() if not left.isdisjoint(tellers) for c in clues)
            if heard and self._size(heard) is None:
                return False
        return True

    def facts_for(self, number: int, fellows: Iterable[int]) -> LearnedFacts:
        """What the plan at `number` knows with these other plans; those that contradict it are left out."""
        others = frozenset(fellows) - {number}
        left = others - self.contradicting(number) | {number}
        sizes: dict[RelationName, SizeFact] = {}
        contradicted: set[RelationName] = set()
        for relation in sorted(self._plans[number].reads):
            heard = [c for c, tellers in self._tellers.get(relation, {}).items() if not left.isdisjoint(tellers)]
            clues = frozenset(clue for told in heard for clue in told)
            size = self._size(clues) if clues else None
            if size is not None:
                sizes[relation] = SizeFact(size, self._sources(relation, clues, size, left, number))
            elif clues:
                contradicted.add(relation)
        return LearnedFacts(sizes, frozenset(contradicted), len(others) + 1 - len(left))

    def _size(self, clues: _Clues) -> Size | None:
        if clues not in self._solved:
            self._solved[clues] = solved(sorted(clues, key=repr))
        return self._solved[clues]

    def _sources(
        self, relation: RelationName, clues: _Clues, size: Size, left: frozenset[int], number: int
    ) -> tuple[Source, ...]:
        """The fewest sources that lead to the size; the plan's own come first, then by name."""
        found: dict[SizeClue, list[tuple[bool, Source]]] = {}
        for told, tellers in self._tellers[relation].items():
            here = left.intersection(tellers) if told <= clues else frozenset()
            # of plans that say the same one is named: this one, else the first by name
            teller = number if number in here else min(here, key=lambda n: self._plans[n].plan, default=None)
            for evidence in self._plans[teller].told if teller is not None else ():
                if evidence.relation == relation:
                    found.setdefault(evidence.clue, []).append((teller != number, evidence.source))
        first = {clue: min(sources, key=_order) for clue, sources in found.items()}
        kept = sorted(first, key=lambda clue: _order(first[clue]))
        for clue in kept:
            if self._size(frozenset({clue})) == size:
                return (first[clue][1],)
        for clue in reversed(kept):
            without = frozenset(kept) - {clue}
            if without and self._size(without) == size:
                kept.remove(clue)
        return tuple(first[clue][1] for clue in kept)


def _order(told: tuple[bool, Source]) -> tuple[bool, str, str, str]:
    other, source = told
    return (other, *source.order)


def _by_relation(told: Iterable[SizeEvidence]) -> dict[RelationName, _Clues]:
    found: dict[RelationName, set[SizeClue]] = {}
    for evidence in told:
        found.setdefault(evidence.relation, set()).add(evidence.clue)
    return {relation: frozenset(clues) for relation, clues in found.items()}
