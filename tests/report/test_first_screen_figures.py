"""No two figures of a first screen contradict each other: what is off is seen at the ruler, each ratio says what it is
of, other misestimated joins are told, and a command stands alone.

The figures are those of the audit that is told; the words are ours.
"""

from __future__ import annotations

from rowreckon.document.audit import Finding, JoinSide, Missing
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.story.ticket import Ticket, ticket
from rowreckon.report.words.commands import for_plan, is_command
from rowreckon.report.words.escape import bare
from rowreckon.report.words.sources import with_short_sources
from tests.report import factories as f

AS_EXPECTED = JoinSide(node=2, estimated_rows=12, actual_rows=12, count="exact", tables=("public.bookings",))
FEW = JoinSide(node=3, estimated_rows=840, actual_rows=6, count="exact", tables=("public.huts",))


def _told(**of_the_join: object) -> Ticket:
    return ticket(f.one_join_audit(f.held_join(**of_the_join)), 0)


def test_the_inner_rows_that_were_off_stand_at_a_ruler_of_outer_rows() -> None:
    """Which says of its own rows that they came as expected."""
    told = _told(outer=AS_EXPECTED, inner=FEW)

    assert bare(told.sentence).startswith("6 inner rows came instead of 840.")
    assert bare(told.off) == "Inner rows: expected 840, came 6"
    assert [ruler.title.partition(",")[0] for ruler in told.rulers] == ["Outer rows as expected"]
    for shown in (render_html, render_markdown):
        assert "Inner rows: expected 840, came 6." in shown(f.one_join_audit(f.held_join(outer=AS_EXPECTED, inner=FEW)))


def test_a_ruler_that_shows_what_was_off_needs_no_word_beside_it() -> None:
    """Outer rows off, outer rows drawn."""
    told = ticket(f.crossed_audit(), 0)

    assert told.off == ""
    assert told.rulers[0].title.startswith("Outer rows")
    assert "as expected" not in told.rulers[0].title


def test_a_join_whose_own_rows_alone_are_off_says_so() -> None:
    """Both sides delivered what was expected; the join did not."""
    inner = FEW.model_copy(update={"actual_rows": 840})
    told = _told(outer=AS_EXPECTED, inner=inner, q_error=4025.8)

    assert bare(told.sentence).startswith("48,310 rows came out of the join instead of 12.")
    assert bare(told.off) == "Rows out of the join: expected 12, came 48,310"


def test_another_crossed_join_is_told_with_its_error_its_time_and_its_loss() -> None:
    """And how many more there are, by their verdicts."""
    further = (f.crossed_join(node=4, loss_factor=4.5), f.undecided_join(node=3), f.held_join(node=2))
    told = ticket(f.audit(f.crossed_plan(joins=(f.crossed_join(), *further))), 0)

    assert "here 4.5 times" in told.sentence  # it loses most: the subplan's time is in it
    first, _, rest = bare(told.also).partition(": ")
    assert first.startswith("Nested loop with huts (crossed, ")
    assert first.endswith("% of the time, 38 times the cheapest cost)")
    assert rest == "48,310 outer rows came instead of 12. 1 more is undecided, 1 more is held."


def _gain(ratio: float, *joins: int) -> str:
    finding = f.FINDING.model_copy(update={"joins": joins})
    remedy = f.REMEDY.model_copy(update={"cost_ratio": ratio, "trial": None})
    return bare(ticket(f.audit(f.crossed_plan(findings=(finding,)), remedies=(remedy,)), 0).gain_basis)


def test_each_ratio_says_what_it_is_of() -> None:
    """The headline's is of the methods at their cheapest, the gain's of the join as it ran."""
    assert "here 38 times" in ticket(f.crossed_audit(), 0).sentence
    assert _gain(95.0, 1) == (
        "The 260 ms rest on the join as it ran: 95 times the hash join's cost. The verdict compares the cheapest"
        " nested loop: 38 times."
    )
    assert _gain(38.0, 1).startswith("The costs compared are of the join with its inputs")
    assert _gain(38.0, 1, 4) == "The 260 ms count 2 joins, each with its inputs."


def test_no_ratio_no_word_about_it() -> None:
    """A held join has no loss that could be taken for the gain's."""
    remedies = (f.REMEDY.model_copy(update={"trial": None}),)

    assert ticket(f.audit(f.crossed_plan(joins=(f.held_join(),)), remedies=remedies), 0).gain_basis == ""


def test_a_command_is_set_alone_and_prose_is_not_set_as_one() -> None:
    """The box holds what is typed; advice without a command is a sentence."""

    def told(how: str) -> Ticket:
        missing = (Missing(what="the sizes of huts", why="the plan does not tell", how=how),)
        plan = f.crossed_plan(source="plans/winter.json", joins=(f.undecided_join(),), missing=missing)
        return ticket(with_short_sources(f.audit(plan))[0], 0)

    asked, advised = told("rowreckon ask PLAN -o ask.sql"), told("read the catalog as the table's owner")

    assert (asked.command, asked.lead) == (
        "rowreckon ask plans/winter.json -o ask.sql",
        "This finds out the sizes of huts",
    )
    assert (advised.command, advised.lead) == ("", "Find out the sizes of huts: read the catalog as the table's owner")


def test_what_begins_as_a_command_is_one() -> None:
    """A command of the shell or of SQL, or a comment above one."""
    assert all(map(is_command, ("rowreckon sweep Q", "SHOW work_mem", "-- runs it:\nSELECT 1", "# x\npsql -f a")))
    assert not any(map(is_command, ("", "read it as its owner", "A superuser may read it")))


def test_the_file_of_the_plan_is_named_where_it_is_one() -> None:
    """Of several plans in a file, the file; a query's name is no file."""
    assert for_plan("ask PLAN; audit PLAN", "plans/a.json#2") == "ask plans/a.json; audit plans/a.json"
    assert for_plan("ask PLAN", "bookings of the winter") == "ask PLAN"


def test_an_unexplained_cause_says_what_was_looked_at() -> None:
    """In the same line."""
    finding = Finding(
        code="unexplained",
        node=2,
        joins=(1,),
        tables=("public.bookings",),
        confidence=0.5,
        basis="catalog",
        summary="At Seq Scan on public.bookings: the catalog's facts name no cause. Expected 12 rows, got 48,310",
    )

    assert bare(ticket(f.audit(f.crossed_plan(findings=(finding,))), 0).cause) == (
        "Unexplained. At Seq Scan on public.bookings: the catalog's facts name no cause."
    )
