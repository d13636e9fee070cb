"""A report on one plan: its first screen, its length, and that nobody has to read a long sentence there.

The budgets are ours: the terminal's first 24 lines at 80 columns, Markdown's first 40 lines, 60 lines for a plan with
one join, 100 for one of seven (common practice, no source).
"""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from rich.cells import cell_len
from rich.console import Console

from rowreckon.auditing import audit
from rowreckon.document.audit import Audit, MethodCost
from rowreckon.intake import read_path, read_text
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.formats.terminal import render_terminal
from rowreckon.report.story.ticket import Ticket, ticket
from rowreckon.report.words.changes.no_change_words import no_change_words
from rowreckon.report.words.escape import bare
from rowreckon.report.words.headline import joins_by_weight
from rowreckon.report.words.sql_lines import wrapped_sql
from rowreckon.sql.grammar import scan
from tests.report import factories as f

ROOT = Path(__file__).parents[2]
SAMPLES = sorted(
    path
    for folder in (ROOT / "sample_plans", Path(__file__).parent / "captures", Path(__file__).parent / "plans")
    for path in folder.iterdir()
    if path.suffix in (".json", ".txt")
)
LINES = {0: 60, 1: 60, 2: 100, 7: 100}


def _terminal(audited: Audit, width: int = 80, *, verbose: bool = False) -> list[str]:
    file = io.StringIO()
    render_terminal(audited, Console(file=file, width=width), verbose=verbose)
    return file.getvalue().rstrip("\n").split("\n")


@pytest.fixture(scope="module", params=SAMPLES, ids=lambda path: path.name)
def sample(request: pytest.FixtureRequest) -> Audit:
    """Every sample plan and capture."""
    return audit(read_path(request.param), curves=False)


def _sentences(told: Ticket) -> list[str]:
    said = (told.sentence, told.time, told.cause, told.touches, told.tried, f"{told.lead}.")
    return [sentence for part in said for sentence in bare(part).split(". ") if sentence]


def test_a_sample_is_told_within_its_budgets(sample: Audit) -> None:
    """Ticket, picture and the whole report; at 80 columns and at 60 nothing is wider than the terminal."""
    lines = _terminal(sample)
    joins = len(sample.plans[0].joins)
    markdown = render_markdown(sample).split("\n")
    told = ticket(sample, 0)

    assert len(lines) <= LINES[joins]
    assert lines.index("Plan") - 1 <= 24  # a blank line parts them
    assert markdown.index("## Plan") <= 40
    for width in (80, 60):
        wide = [line for line in _terminal(sample, width) if cell_len(line) > width]
        assert all(len(line.split()) == 1 for line in wide)  # a name of SQL is never broken
    assert len(bare(told.sentence).split()) <= 25
    assert all(len(sentence.split()) <= 25 for sentence in _sentences(told))


def test_a_cause_of_seven_joins_is_said_once() -> None:
    """A plan of seven joins captured from an 18: verdict, picture and causes, each cause once."""
    audited = audit(read_path(Path(__file__).parent / "plans" / "seven-joins.capture.json"), curves=False)
    lines = _terminal(audited)
    titles = [line for line in lines if line.startswith("  Cause  ")]

    assert len(audited.plans[0].joins) == 7
    assert len(titles) == len(set(titles))
    assert "error enters here" in "\n".join(lines)


def test_the_first_screen_says_where_the_plan_is_from() -> None:
    """Query, release, database, moment and version; what is not known is left out."""
    told = ticket(f.crossed_audit(), 0)

    assert bare(told.query).startswith("SELECT h.name, count(*) FROM bookings b JOIN huts h USING (hut_id) WHERE")
    assert [bare(fact) for fact in told.facts] == ["PostgreSQL 16.4", "database huts", "rowreckon 0.1.0"]
    assert "unknown" not in " ".join(_terminal(f.audit(f.crossed_plan(query=None, session=None, server_version=None))))


def test_what_trying_brought_stands_on_the_first_screen() -> None:
    """Measured before and after."""
    assert "1,410 ms before, 140 ms after: it helped" in ticket(f.tried_audit(), 0).tried


def test_a_crossing_for_less_than_a_tenth_hardly_matters_and_never_leads() -> None:
    """Beside an undecided join it comes second; alone it says how little it is."""
    trifle = f.crossed_join(loss_factor=1.04)
    alone = ticket(f.one_join_audit(trifle), 0)
    both = f.crossed_plan(joins=(trifle, f.undecided_join(node=4)))

    assert "4% cheaper, which hardly matters" in alone.sentence
    assert [join.verdict for join in joins_by_weight(both)] == ["undecided", "crossed"]


def test_a_factor_that_the_costs_do_not_support_is_not_said() -> None:
    """Known costs give the factor; bounds give the least that they leave; without either there is none."""
    costs = f.crossed_join().costs
    open_hash = costs["hash"].model_copy(update={"at_actual": None, "at_actual_low": 900.0, "at_actual_high": 50000.0})
    bounded = f.crossed_join(costs={**costs, "hash": open_hash})
    unknown = f.crossed_join(costs={**costs, "hash": open_hash.model_copy(update={"at_actual_high": None})})

    assert "here 38 times" in ticket(f.one_join_audit(f.crossed_join()), 0).sentence
    assert "here at least 3.4 times" in ticket(f.one_join_audit(bounded), 0).sentence
    assert "times" not in ticket(f.one_join_audit(unknown), 0).sentence


def test_what_came_as_expected_is_not_told_as_a_mistake() -> None:
    """Nothing came instead of anything where the estimate was right."""
    assert ticket(f.one_join_audit(f.accurate_join()), 0).sentence == (
        "13 outer rows came, near enough to the 12 expected. No join method is in doubt."
    )


def test_a_held_join_does_not_hide_one_that_is_open() -> None:
    """Which other join may have crossed, and by how much its rows were off."""
    quick = tuple(n.model_copy(update={"own_ms": 0.1}) if n.id == 4 else n for n in f.crossed_nodes())
    told = ticket(f.one_join_audit(f.held_join()), 0)
    both = ticket(f.audit(f.crossed_plan(nodes=quick, joins=(f.held_join(), f.undecided_join(node=4)))), 0)

    assert told.also == ""
    assert bare(both.time).startswith("Ran 1,410 ms, 25% of it in the held join shown, one of 2 misestimated joins")
    assert bare(both.also) == (
        "Nested loop with huts (undecided, under 1% of the time): at least 5,001 outer rows came, 12 were expected."
    )


def test_the_command_is_the_one_that_decides_where_nothing_can_be_tried() -> None:
    """The missing fact and how to get it."""
    told = ticket(f.one_join_audit(f.undecided_join()), 0)

    assert not told.is_remedy
    assert "the size of huts" in told.lead
    assert told.command.startswith("EXPLAIN (ANALYZE")


def test_a_plan_that_was_not_run_says_so() -> None:
    """EXPLAIN without ANALYZE: no count, no verdict, no time."""
    plan = {
        "Plan": {"Node Type": "Seq Scan", "Relation Name": "huts", "Plan Rows": 9, "Plan Width": 4, "Total Cost": 2}
    }
    told = ticket(audit(read_text(json.dumps([plan]))), 0)

    assert told.verdict == "no join"
    assert told.time == ""


SQL = """CREATE STATISTICS public.bookings_season_status (dependencies, mcv) ON season, status FROM public.bookings;
SELECT count(*) FROM huts WHERE name = 'a name with   blanks that is longer than the line and may not be broken' -- why
AND note = E'it''s\\n' AND "odd  name" = $$two  words$$;"""


@pytest.mark.parametrize("width", [20, 40, 60, 80])
def test_wrapped_sql_is_the_same_sql(width: int) -> None:
    """PostgreSQL's own scanner reads the same tokens; a line is too long only where one run of tokens is."""
    wrapped = wrapped_sql(SQL, width)

    assert [token.text for token in scan(wrapped)] == [token.text for token in scan(SQL)]
    for line in wrapped.split("\n"):
        assert len(line) <= width or len(scan(line)[:1]) == 0 or " " not in line.strip() or "'" in line or "--" in line


def test_a_command_of_psql_is_not_broken() -> None:
    """What the scanner does not read stays as it is."""
    text = "SELECT format('ANALYZE %I', relname) FROM pg_class \\gexec 'unended"

    assert wrapped_sql(text, 20) == text


def test_a_tie_is_no_want_of_evidence() -> None:
    """Two methods that cost the same within the planner's 1%: said as such, and nothing is waited for."""
    costs = {"nested_loop": MethodCost(at_actual=1004.0), "hash": MethodCost(at_actual=1000.0)}
    audit = f.audit(f.crossed_plan(joins=(f.undecided_join(costs=costs, missing=()),), findings=(), missing=()))
    apart = f.undecided_join(costs=costs | {"hash": MethodCost(at_actual=900.0)}, missing=())

    assert "Another method would cost the same within the planner's 1%." in ticket(audit, 0).sentence
    assert no_change_words(audit.plans).endswith("would cost the same within 1%, so it would win nothing.")
    assert no_change_words((f.crossed_plan(joins=(apart,), findings=(), missing=()),)).endswith("method is cheaper.")
