"""What the planner was not asked for a plan from a file, and why: by our check of its texts and the server's. Pure.

Nothing is left out in silence: each expression and each relation is named as missing, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from rowreckon.catalog.facts import Catalog
from rowreckon.catalog.parts import MissingFact
from rowreckon.catalog.request import FactsRequest

_HOW = "sweep the query itself on this server, which judges what the statement may run"


@dataclass(frozen=True, slots=True)
class Unasked:
    """By place in the request's texts, and by relation, the server's reasons."""

    texts: Mapping[int, str]
    relations: Mapping[int, str]

    def any(self, places: tuple[int, ...]) -> bool:
        """Whether one of these texts was left unasked."""
        return not self.texts.keys().isdisjoint(places)


def unasked_of(request: FactsRequest, answer: Mapping[str, Any]) -> Unasked:
    """What the server told in its answer; nothing in those of releases that did not look."""
    texts = {int(r["text"]): str(r["why"]) for r in answer.get("refused") or ()}
    relations = {int(r["relation"]): str(r["why"]) for r in answer.get("barred") or ()}
    return Unasked({n: why for n, why in texts.items() if 0 < n <= len(request.texts)}, relations)


def missing_questions(catalog: Catalog, request: FactsRequest, plan: int, unasked: Unasked) -> Iterator[MissingFact]:
    """The estimates that this plan's catalog lacks because they were not asked for."""
    for relation in catalog.relations:
        why = unasked.relations.get(relation.oid)
        if why is not None:
            name = relation.qualified_name
            yield MissingFact(what=f"the planner's estimates on {name}", why=why, how=_HOW, relation=name)
    for entry in request.not_asked:
        if entry.plan == plan:
            yield MissingFact(what=_about(entry.text), why=f"it was not asked, since {entry.why}", how=_HOW)
    for what, places in _places(request, plan):
        for place in places:
            if place in unasked.texts:
                yield MissingFact(what=what, why=f"it was not asked, since {unasked.texts[place]}", how=_HOW)
                break


def _about(text: str) -> str:
    """The words by which masking knows that an expression follows."""
    return f"the planner's figures for {_short(text)}"


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}…"


_LONGEST = 200
"""Characters of an expression that a sentence repeats."""


def _places(request: FactsRequest, plan: int) -> Iterator[tuple[str, tuple[int, ...]]]:
    """What each text of a plan is about, in words, with its places."""
    for scan in request.relations:
        if scan.plan == plan:
            for texts, places in ((scan.conditions, scan.condition_texts), (scan.columns, scan.column_texts)):
                for text, place in zip(texts, places, strict=False):
                    yield _about(text), (place,)
    for clause in request.clauses:
        if clause.plan == plan:
            whole = f"{clause.left} {clause.operator} {clause.right}"
            yield _about(whole), tuple(p for p in (clause.left_text, clause.right_text) if p is not None)
    for pair in request.pairs:
        if pair.plan == plan:
            yield f"the planner's estimate for {pair.left_alias} with {pair.right_alias}", pair.clause_texts
