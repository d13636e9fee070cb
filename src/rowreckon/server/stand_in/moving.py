"""Asking a stand-in how far a fact may move before what it said is no longer so: sizes, distinct counts, common values.

Each fact is moved alone, in a transaction that is rolled back, and the query is planned again.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from typing import Final

from rowreckon.capture import Capture
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import FactLimit, MovedFacts
from rowreckon.errors import RowreckonError, StatementFailed, StatementRefused
from rowreckon.plan.printed import Printed, printed_nodes
from rowreckon.plural import counted
from rowreckon.sql.grammar import NotSql, parse
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.figures import Figures
from rowreckon.stand_in.movable import Movable, Range, movable_facts, nearness, stays_within
from rowreckon.stand_in.right_counts.executed import relations_below
from rowreckon.stand_in.right_counts.shapes import methods_of

from .filling import array_values
from .forging import Allowance, Exhausted, Forgery, forgery
from .planning import Planner
from .standing import StandIn

MOST_PLANS: Final = 250
"""Most plans that are asked for about one answer; ten facts take some hundred. No source."""
MOST_FACTS: Final = 16
MOST_JOINS: Final = 3
"""Most joins of one plan for which facts are moved; no source."""
_BUDGET: Final = f"no more than {MOST_FACTS} are, and no more than {MOST_PLANS} plans are asked for about one join"
Answer = Callable[[Printed], Hashable]
"""What of a plan is the answer: it is another where this is not the same."""


class _Spent(Exception):
    """No more plans may be asked for."""


class Moving:
    """One query on a stand-in whose statistics may be changed, and its plans with one fact moved, each asked once."""

    def __init__(self, forgery: Forgery, query: str, plan: Printed, without: frozenset[str] = frozenset()) -> None:
        """`plan` is the query's as things stand; columns of the names in `without` are left as they are.

        Raises StatementRefused where the query can't be read.
        """
        self._forgery = forgery
        self._query = query
        self._plan = plan
        self._known: dict[tuple[Movable, float], Printed | None] = {}
        self._facts, self._over = _some_facts(forgery.facts, query, plan, without)

    def limits(self, answer: Answer, most: int = MOST_PLANS) -> MovedFacts:
        """How far each fact may move before the answer to the query is another, those that turn it soonest first.

        Facts for which no more plans could be asked for are named.
        """
        before, allowed = len(self._known), len(self._known) + most
        now = answer(self._plan)
        found: list[tuple[float, FactLimit]] = []
        left_out = list(self._over)
        for place, fact in enumerate(self._facts):
            known = self._range(fact)
            if known is None:
                continue

            def stays(value: float, fact: Movable = fact) -> bool:
                plan = self._with(fact, value, allowed)
                return plan is None or answer(plan) == now

            try:
                low, high = stays_within(known, stays)
            except _Spent:
                left_out = [*(each.words for each in self._facts[place:]), *left_out]
                break
            limit = FactLimit(fact=fact.words, value=known.value, from_=low, to=high)
            found.append((nearness(known.value, low, high), limit))
        found.sort(key=lambda each: each[0])
        return MovedFacts(
            turns_at=tuple(limit for _, limit in found), asked=len(self._known) - before, left_out=tuple(left_out)
        )

    def _range(self, fact: Movable) -> Range | None:
        """What the fact is now; None where the stand-in does not have it, or the table's rows are not known."""
        rows = self._forgery.table_rows(fact.relation)
        if rows < 1:
            return None
        if fact.kind == "rows":
            return Range(rows, 1.0, 1e12)
        figures = self._forgery.figures(fact.relation, fact.number)
        if fact.kind == "distinct":
            distinct = figures.distinct if figures.distinct > 0 else -figures.distinct * rows
            return Range(float(round(distinct)), 1.0, max(rows, 1.0)) if distinct >= 1 else None
        share = _share(figures, fact.text or "")
        return None if share is None else Range(float(round(share * rows)), 1.0, rows * (1.0 - figures.null_frac))

    def _with(self, fact: Movable, value: float, allowed: int) -> Printed | None:
        """The plan with the fact moved; None where the statistics do not take it."""
        key = fact, value
        if key not in self._known:
            if len(self._known) >= allowed:
                raise _Spent
            self._known[key] = self._asked(fact, value)
        return self._known[key]

    def _asked(self, fact: Movable, value: float) -> Printed | None:
        try:
            with self._forgery.tried() as undo:
                undo.wanted = True
                plan: Printed | None = None
                if self._write(fact, value):
                    plan = self._forgery.document(self._query)["Plan"]
                return plan
        except Exhausted:
            raise _Spent from None
        except StatementFailed:
            return None

    def _write(self, fact: Movable, value: float) -> bool:
        forgery, relation = self._forgery, fact.relation
        if fact.kind == "rows":
            forgery.set_rows(relation, value)
            return True
        figures = forgery.figures(relation, fact.number)
        if fact.kind == "distinct":
            return forgery.write(relation, fact.number, figures.model_copy(update={"distinct": value}))
        share = value / max(forgery.table_rows(relation), 1.0)
        return forgery.write(relation, fact.number, _with_share(figures, fact.text or "", share))


def _some_facts(
    facts: StandInFacts, query: str, plan: Printed, without: frozenset[str]
) -> tuple[list[Movable], list[str]]:
    """The facts to move, and the words of those that are too many."""
    try:
        tree = parse(query)
    except NotSql as error:
        raise StatementRefused(f"no fact was moved: the query {error.reason}", hint="give it as plain SQL") from None
    read = {str(node["Relation Name"]) for node in printed_nodes(plan) if "Relation Name" in node}
    names = {(c.relation, c.number): c.name for c in facts.columns}
    every = [f for f in movable_facts(tree, facts, read) if names.get((f.relation.oid, f.number)) not in without]
    return every[:MOST_FACTS], [fact.words for fact in every[MOST_FACTS:]]


def _share(figures: Figures, text: str) -> float | None:
    """The share of a common value; None for one that is not listed."""
    listed = dict(zip(_common(figures), figures.common_freqs or (), strict=False))
    return listed.get(text)


def _with_share(figures: Figures, text: str, share: float) -> Figures:
    """The figures with another share for this common value; the others' shrink where they would be more than all."""
    values, freqs = _common(figures), figures.common_freqs or ()
    room = max(0.0, 1.0 - figures.null_frac - share)
    others = sum(freq for value, freq in zip(values, freqs, strict=False) if value != text)
    scale = min(1.0, room / others) if others > 0 else 1.0
    moved = tuple(share if value == text else freq * scale for value, freq in zip(values, freqs, strict=False))
    return figures.model_copy(update={"common_freqs": moved})


def _common(figures: Figures) -> Sequence[str | None]:
    return array_values(figures.common) if figures.common else ()


def with_moved_facts(
    capture: Capture,
    joins: Sequence[int],
    reckoned: ReckonedTree,
    facts: StandInFacts,
    there: StandIn,
    planner: Planner,
    settings: Mapping[str, str],
    allowed: Allowance,
) -> Capture:
    """The capture with how far facts may move before the planner joins these joins (nodes) otherwise.

    In its notes stands why that can't be told. `planner` plans for the role that the capture's plan is of.
    """
    query = capture.query or ""
    known = relations_below(reckoned.tree, frozenset())[0]
    below = relations_below(reckoned.tree, known)
    told: list[MovedFacts] = []
    try:
        with forgery(there.statistics_dsn, facts, settings, planner.role, allowed) as forged:
            plan = forged.document(query)["Plan"]
            moving = Moving(forged, query, plan)
            for node in [join for join in joins if below[join] in methods_of(plan, known)][:MOST_JOINS]:

                def method(plan: Printed, whose: frozenset[str] = below[node]) -> str | None:
                    return methods_of(plan, known).get(whose)

                told.append(moving.limits(method).model_copy(update={"join": node}))
    except RowreckonError as error:
        return capture.model_copy(update={"notes": (*capture.notes, error.sentence())})
    left = dict.fromkeys(words for each in told for words in each.left_out)
    notes = (f"{counted(len(left), 'fact was', 'facts were')} not moved on the stand-in: {_BUDGET}",) if left else ()
    return capture.model_copy(update={"moved_facts": tuple(told), "notes": (*capture.notes, *notes)})
