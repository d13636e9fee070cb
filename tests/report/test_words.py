"""The sentences that all formats share."""

from __future__ import annotations

import math

import pytest

from rowreckon.document.audit import CountState, JoinSide, Margin
from rowreckon.report.story.overview import nothing_audited
from rowreckon.report.words.escape import bare
from rowreckon.report.words.headline import plan_headline
from rowreckon.report.words.join_figures import contest_words, cost_rows, margin_words, visits_words
from rowreckon.report.words.join_words import loss_words, verdict_sentence
from rowreckon.report.words.list_headline import list_headline
from rowreckon.report.words.numbers import around, milliseconds, number, orders, share, times
from rowreckon.report.words.sentences import expected_came
from rowreckon.report.words.time_words import time_sentence
from tests.report import factories as f


def test_the_verdict_is_told_in_short_sentences() -> None:
    """A crossed join: what was expected, what came, where the border lies, what it costs."""
    expected = (
        "expected 12 outer rows, got 48,310. From 840 on, a hash join is cheaper. "
        "The nested loop costs 38 times the hash join at the actual rows"
    )

    assert expected == verdict_sentence(f.crossed_join())


def test_an_overestimate_names_the_border_from_the_other_side() -> None:
    """Fewer rows than expected: the nested loop is cheaper below the border."""
    join = f.crossed_join(
        method="hash",
        best_at_actual="nested_loop",
        outer=JoinSide(node=2, estimated_rows=48310, actual_rows=12, count="exact"),
        loss_factor=9.0,
    )

    assert "Below 840, a nested loop is cheaper" in verdict_sentence(join)


def test_a_wrong_inner_side_names_the_border_that_it_crossed() -> None:
    """The outer rows were right; the border lies along the inner ones."""
    said = verdict_sentence(f.inner_wrong_join())

    assert "Expected 50 inner rows, got 90,000" in said
    assert "From 1,400 inner rows on, a hash join is cheaper" in said


def test_held_says_from_where_on_another_method_would_be_cheaper() -> None:
    """The misestimate did no harm, and how near it came."""
    said = verdict_sentence(f.held_join())

    assert said.endswith("The nested loop is still the cheapest. A hash join is cheaper only from 840 on")


def test_undecided_says_why() -> None:
    """No guess is printed as a figure."""
    assert verdict_sentence(f.undecided_join()).endswith("is undecided: the size of huts is not known")


@pytest.mark.parametrize("join", [f.crossed_join(), f.held_join(), f.accurate_join(), f.inner_wrong_join()])
def test_faster_is_never_said_of_a_cost(join: f.Join) -> None:
    """'Cheaper' of costs; 'faster' only where a clock ran."""
    said = [verdict_sentence(join), loss_words(join), margin_words(join), visits_words(join)]

    assert not any("faster" in sentence or "slower" in sentence for sentence in said)
    assert "faster" in contest_words(f.crossed_join())


def test_the_clock_may_contradict_the_model() -> None:
    """A contest won by the method that is dearer by the model says so."""
    said = contest_words(f.crossed_join(contest={"nested_loop": 80.0, "hash": 131.0}))

    assert said.endswith("The nested loop was faster, although the hash join is cheaper by the model.")


@pytest.mark.parametrize(
    ("count", "words"),
    [
        ("exact", "expected 12, came 48,310: 3.6 orders short"),
        ("at_least", "at least 48,310 came, not read to the end: at least 3.6 orders short"),
        ("reread", "came 48,310, some of them more than once"),
        ("probed", "a separate count, up to a limit, found 48,310"),
        ("not_run", "expected 12, never ran"),
        ("not_counted", "expected 12, rows are not counted here"),
    ],
)
def test_each_state_of_a_count_has_its_words(count: CountState, words: str) -> None:
    """What is not a plain count never reads like one."""
    known = count in ("exact", "at_least", "probed")
    node = f.node(
        1,
        (),
        "Seq Scan",
        estimated_rows=12,
        actual_rows=None if count.startswith("not") else 48310,
        count=count,
        q_error=48310 / 12 if known else None,
        direction="under" if known else None,
    )

    assert words in expected_came(node)


def test_what_rounding_alone_explains_is_no_error() -> None:
    """A printed 1 over 20,000 loops against 20 rows: the intervals touch."""
    node = f.node(
        1, (), "Index Scan", estimated_rows=20000, actual_rows=20, q_error=1000.0, q_error_low=1.0, direction="even"
    )

    assert expected_came(node) == "expected 20,000, came 20: rounding alone may explain the difference"


def test_orders_are_decimal_logarithms_of_the_q_error() -> None:
    """The q-error is max(est/act, act/est) (Moerkotte, Neumann, Steidl 2009); its log10 counts orders of magnitude."""
    assert orders(48310 / 12) == f"{math.log10(48310 / 12):.1f} orders" == "3.6 orders"


def test_time_share_names_where_the_rest_goes() -> None:
    """Own time of the join and of its inner side's access over the whole: (41.5 + 310) / 1410.5."""
    expected = "the crossed join accounts for 25% of the time (1,410 ms). Most is in SubPlan 2, 48,000 loops (950 ms)"

    assert expected == bare(time_sentence(f.crossed_plan()))


@pytest.mark.parametrize(
    ("audit", "must"),
    [
        (f.one_join_audit(f.accurate_join()), "No misestimate explains where the time goes"),
        (f.one_join_audit(f.held_join()), "Most of the time goes elsewhere"),
        (f.one_join_audit(f.accurate_join(), nodes=()), "How the time splits is not known"),
        (f.one_join_audit(f.held_join(), time_elsewhere=()), "Evidence is missing"),
        (f.one_join_audit(f.undecided_join()), "No verdict"),
        (f.audit(f.crossed_plan(joins=())), "No join to judge"),
        (f.audit(f.crossed_plan(joins=(), outcome="timed_out", sqlstate="57014")), "cancelled at its time limit"),
    ],
)
def test_no_crossed_join_never_reads_as_all_clear(audit: f.Audit, must: str) -> None:
    """Time elsewhere and missing evidence stand beside it."""
    said = bare(plan_headline(audit.plans[0]))

    assert must in said
    assert not any(word in said.lower() for word in ("all clear", "no problem", "all good", "is fine", " ok"))


def test_a_list_with_failures_says_so_in_its_headline() -> None:
    """Queries that did not run are counted beside those that did not cross."""
    plans = [f.crossed_plan(joins=(f.held_join(),)), f.crossed_plan(joins=(), outcome="failed", sqlstate="42P01")]

    said = list_headline(f.audit(*plans))
    assert "1 query did not run to the end" in said
    assert "See below where" in said


def test_nothing_read_is_said() -> None:
    """An audit of unreadable inputs only."""
    assert nothing_audited(f.audit(rejected=(f.Rejected(source="a", reason="b"),))) == (
        "Nothing was audited: 1 input could not be read."
    )
    assert nothing_audited(f.audit()) == "Nothing was audited: no plan was given."


def test_a_query_that_failed_starts_with_that() -> None:
    """The outcome comes before anything else, with its SQLSTATE."""
    said = bare(plan_headline(f.mixed_audit().plans[5]))

    assert said.startswith("The query failed, line 7, SQLSTATE 42P01: relation")


def test_an_undecided_join_that_ran_claims_no_margin() -> None:
    """Where the evidence leaves open which method leads, nothing is said of how far its lead reaches."""
    assert margin_words(f.undecided_join(margin=Margin(down=667.0))) == ""
    unrun = f.undecided_join(margin=Margin(up=40.0), outer=f.JoinSide(node=2, estimated_rows=12, count="not_run"))
    assert "are 40 times their estimate" in margin_words(unrun)


def test_a_penalty_is_told_from_a_cost() -> None:
    """A method switched off carries 1e10 up to release 17 (disable_cost in optimizer/path/costsize.c)."""
    join = f.held_join(costs={"hash": f.MethodCost(at_estimate=1.0e10 + 2367.58, at_actual=1.0e10 + 3539.8)})

    assert "penalty for a method that is switched off" in cost_rows(join)[0][3]


def test_margin_without_a_border() -> None:
    """Null both ways: nothing changes the lead."""
    assert "No number of outer rows" in margin_words(f.held_join(margin=Margin()))
    assert margin_words(f.held_join(margin=None)) == ""


@pytest.mark.parametrize(
    ("got", "expected"),
    [
        (number(1234567.4), "1,234,567"),
        (number(2.5), "2.5"),
        (number(None), "unknown"),
        (number(0.001), "under 0.01"),
        (number(math.inf), "beyond counting"),
        (times(1.4), "1.4 times"),
        (times(37.6), "38 times"),
        (milliseconds(0.84), "0.84 ms"),
        (milliseconds(12_345), "12.3 s"),
        (milliseconds(900_000), "15.0 min"),
        (share(0.4, 100), "under 1%"),
        (share(99.6, 100), "over 99%"),
        (share(100, 100), "100%"),
        (around(3000, 2995, 3005), "about 3,000"),
        (around(3000, 2500, 3500), "about 3,000 (2,500 to 3,500)"),
        (around(0, 0, 50000), "at most 50,000"),
    ],
)
def test_numbers_read_well(got: str, expected: str) -> None:
    """Thousands separators, intervals, units."""
    assert expected == got
