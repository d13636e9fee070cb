"""What a report says of a change that a stand-in was asked about."""

from __future__ import annotations

import pytest

from rowreckon.document.audit import Foretold, ForetoldQuery, Remedy
from rowreckon.document.foretold import NEEDS_TRIAL
from rowreckon.report.words.changes.touch_words import foretold_words, touch_words
from tests.report.sentences import too_long


def remedy(told: Foretold | None) -> Remedy:
    """A change of which this was told."""
    return Remedy(
        rank=1,
        kind="new_index",
        sql=("CREATE INDEX i ON huts.stay (nights)",),
        transactional=True,
        confidence=1,
        reason="",
        tables=("huts.stay",),
        foretold=told,
    )


def query(name: str, before: float, after: float) -> ForetoldQuery:
    """A query that gets another plan."""
    return ForetoldQuery(query=name, change="plan_changed", cost_before=before, cost_after=after)


def plain(words: str) -> str:
    """Without the marks that keep names of any script in their place."""
    return words.replace("\u2068", "").replace("\u2069", "")


CHANGED = (query("a", 100, 40), query("b", 10, 13), query("c", 1000, 0.02), query("d", 10, 300))


@pytest.mark.parametrize(
    ("told", "said"),
    [
        (None, ""),
        (Foretold(planned=14), "On a stand-in it changes the plan of none of 14 queries."),
        (Foretold(planned=1), "On a stand-in it changes the plan of none of 1 query."),
        (
            Foretold(planned=14, changed=2, queries=CHANGED[:2]),
            "On a stand-in it changes the plan of 2 of 14 queries. Then b costs 1.3 times as much and a 0.4 times.",
        ),
        (
            Foretold(planned=14, changed=4, queries=CHANGED),
            "On a stand-in it changes the plan of 4 of 14 queries. Then d costs 30 times as much, b 1.3 times and"
            " 2 more.",
        ),
        (
            Foretold(planned=3, changed=1, queries=CHANGED[2:3]),
            "On a stand-in it changes the plan of 1 of 3 queries. Then c costs less than 0.001 times as much.",
        ),
        (
            Foretold(planned=3, changed=1, queries=(query("e", 1000, 999),)),
            "On a stand-in it changes the plan of 1 of 3 queries. Then e costs as much as before.",
        ),
        (Foretold(reason=NEEDS_TRIAL), "What it does hangs on the rows, so only a trial with data tells."),
        (Foretold(reason="the stand-in can't be given the change"), ""),
        (Foretold(), "A stand-in plans none of these queries as the source did, so it foretells nothing."),
    ],
)
def test_one_line_says_whose_plan_changes(told: Foretold | None, said: str) -> None:
    """The dearest first; what became cheaper follows."""
    assert plain(foretold_words(remedy(told))) == said
    assert too_long([("here", said)]) == []


def test_costs_are_compared_at_the_same_rows_only() -> None:
    """A change that mends estimates prices other rows: queries are named alone."""
    told = remedy(Foretold(planned=14, changed=2, queries=CHANGED[:2])).model_copy(update={"kind": "foreign_key"})

    assert plain(foretold_words(told)) == "On a stand-in it changes the plan of 2 of 14 queries: a and b."


def test_the_first_screen_says_it_instead_of_names() -> None:
    """Where nothing was foretold it names what reads the table."""
    told = plain(touch_words(remedy(Foretold(planned=14, changed=2, queries=CHANGED[:2])), has_others=True))

    assert told.startswith("May change the plan of every query on huts.stay. On a stand-in it changes the plan of 2")
    assert "No other query here reads it." in touch_words(remedy(Foretold(reason=NEEDS_TRIAL)), has_others=True)
