"""How far a learned size may move before a verdict turns: told of a judge whose turning point is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import inf

import pytest

from rowreckon.counts import reckon
from rowreckon.document.audit import FactLimit, Verdict
from rowreckon.joins.facts.sides import Aliases, join_facts
from rowreckon.joins.verdict.turning import turning
from rowreckon.learned.facts import ANY, Bounds, IndexFact, LearnedFacts, RelationName, Size, SizeFact, Source
from rowreckon.plan import lay_out, parse_document

STAYS = RelationName("tours", "stays")
SCAN = {"Node Type": "Seq Scan", "Schema": "tours", "Plan Rows": 10, "Actual Rows": 10, "Actual Loops": 1}
PLAN = {
    "Node Type": "Hash Join",
    "Join Type": "Inner",
    "Plan Rows": 10,
    "Actual Rows": 10,
    "Actual Loops": 1,
    "Plans": [
        SCAN | {"Parent Relationship": "Outer", "Relation Name": "stays", "Alias": "s"},
        {"Node Type": "Hash", "Parent Relationship": "Inner", "Plan Rows": 10, "Actual Rows": 10, "Actual Loops": 1}
        | {"Plans": [SCAN | {"Parent Relationship": "Outer", "Relation Name": "huts", "Alias": "h"}]},
    ],
}
RECKONED = reckon(lay_out(parse_document({"Plan": PLAN}).plan))
FACTS = join_facts(RECKONED, 0, Aliases(RECKONED.tree))


def _learned(rows: float, pages: float) -> LearnedFacts:
    size = Size(Bounds(pages, pages), Bounds(rows, rows))
    return LearnedFacts(sizes={STAYS: SizeFact(size, (Source("monday", "Seq Scan"),))})


def _turning(rows: float, pages: float, holds: Callable[[float, float], bool]) -> tuple[FactLimit, ...]:
    def verdict_with(learned: LearnedFacts) -> Verdict:
        size = learned.sizes[STAYS].size
        assert size.exact
        return "held" if holds(size.rows.low, size.pages.low) else "undecided"

    return turning(_learned(rows, pages), RECKONED, FACTS, "held", verdict_with)


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (0.0, inf, (None, None)),
        # moved to 769, 333 and 100 rows, and to 1,300, 3,000 and 10,000
        (0.0, 1299.0, (None, 1000.0)),
        (0.0, 1300.0, (None, 1300.0)),
        (0.0, 9999.0, (None, 3000.0)),
        (0.0, 10_000.0, (None, None)),
        (770.0, inf, (1000.0, None)),
        (769.0, inf, (769.0, None)),
        (101.0, inf, (333.0, None)),
        (100.0, inf, (None, None)),
        (500.0, 2000.0, (769.0, 1300.0)),
    ],
)
def test_the_last_size_at_which_the_verdict_stayed(
    low: float, high: float, told: tuple[float | None, float | None]
) -> None:
    """A judge that holds between two numbers of rows; an end is open where it still held at ten times more or fewer."""
    (limit,) = _turning(1000.0, 50.0, lambda rows, _: low <= rows <= high)

    assert (limit.fact, limit.value, limit.source) == ("rows of tours.stays", 1000.0, "Seq Scan in monday")
    assert (limit.from_, limit.to) == told


def test_pages_move_with_the_rows() -> None:
    """Both by the same factor, neither below one."""
    seen: list[tuple[float, float]] = []

    def holds(rows: float, pages: float) -> bool:
        seen.append((rows, pages))
        return True

    _turning(1000.0, 5.0, holds)

    assert seen == [(769.0, 4.0), (333.0, 2.0), (100.0, 1.0), (1300.0, 6.0), (3000.0, 15.0), (10000.0, 50.0)]
    seen.clear()
    _turning(2.0, 1.0, holds)
    assert seen[:3] == [(2.0, 1.0), (1.0, 1.0), (1.0, 1.0)]


def test_a_size_that_is_not_known_to_the_row_is_not_moved() -> None:
    """Bounds that are far apart are no size to move from."""
    loose = Size(Bounds(1.0, 50.0), Bounds(10.0, 1000.0))
    learned = LearnedFacts(sizes={STAYS: SizeFact(loose, ())})
    assert turning(learned, RECKONED, FACTS, "held", lambda _: "held") == ()
    assert turning(LearnedFacts(), RECKONED, FACTS, "held", lambda _: "held") == ()


@pytest.mark.parametrize(
    ("unique", "most_pages", "most_rows", "told"),
    [
        (False, 25.0, 10.0, [("pages", 20.0, 20.0), ("rows of one value", 5.0, 6.0)]),
        (False, 100.0, 15.0, [("pages", 20.0, 60.0), ("rows of one value", 5.0, 15.0)]),
        (True, 100.0, 15.0, [("pages", 20.0, 60.0)]),
        (False, inf, inf, []),
    ],
)
def test_an_index_is_moved_by_its_pages_and_by_the_rows_that_it_finds(
    unique: bool, most_pages: float, most_rows: float, told: list[tuple[str, float, float]]
) -> None:
    """From the middle of its bounds by 1.3, 3 and 10 times; what never turns the verdict is not told."""
    reckoned = reckon(lay_out(parse_document({"Plan": PLAN | {"Hash Cond": "(s.hut = h.id)"}}).plan))
    facts = join_facts(reckoned, 0, Aliases(reckoned.tree))
    index = IndexFact(
        name="stays_hut",
        keys=frozenset({"hut"}),
        unique=unique,
        per_key=Bounds(5.0, 5.0),
        pages=Bounds(10.0, 40.0),
        levels=ANY,
        order=ANY,
        covers=frozenset(),
        lacks=frozenset(),
        sources=(Source("monday", "search of stays_hut"),),
    )
    learned = replace(_learned(1000.0, 50.0), indexes={STAYS: (index,)})

    def verdict_with(moved: LearnedFacts) -> Verdict:
        (one,) = moved.indexes[STAYS]
        return "held" if one.pages.low <= most_pages and one.per_key.low <= most_rows else "undecided"

    limits = turning(learned, reckoned, facts, "held", verdict_with)[1:]
    assert [(limit.fact, limit.value, limit.to) for limit in limits] == [
        (f"{what} of the index on tours.stays.hut", value, to) for what, value, to in told
    ]
    assert all(limit.from_ is None and limit.source == "search of stays_hut in monday" for limit in limits)
