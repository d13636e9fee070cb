"""Masking: planted canaries are found in no output; pseudonyms are stable and can be undone."""

from __future__ import annotations

import io
import re

import pytest
from rich.console import Console

from rowreckon.document.audit import Audit, Evidence, Trial
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.junit import render_junit
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.formats.terminal import render_terminal
from rowreckon.report.mask import Masked, mask_document, mask_names, unmask_text
from rowreckon.report.mask_words import NameMasker
from tests.report import factories as f

KEY = b"a key of the test's own"

VALUES = (
    "Zirbelheim",
    "Canary O'Grady",
    "987654321",
    "1234.5678",
    "q9-secret",
    "Weiß & Söhne",
    "bc-hex-51",
    "rot13rot",
)
NAMES = ("bookings", "huts", "season", "hut_id", "huts_pkey", "bookings_season_status", "weather_logs", "warden")

CONDITION = (
    "((b.season = 'Zirbelheim'::text) AND (b.guest = 'Canary O''Grady'::text) AND (h.hut_id = 987654321) "
    "AND (b.price > 1234.5678) AND (b.tag = ANY ('{q9-secret,\"Weiß & Söhne\"}'::text[])) AND (b.code = E'bc-hex-51'))"
)
QUERY = f"SELECT * FROM bookings b JOIN huts h USING (hut_id) /* rot13rot */ WHERE {CONDITION} -- q9-secret\n LIMIT 5"


def _tried() -> Trial:
    """A trial that tells of canaries in all that it keeps of a query: its name, its joins before and after."""
    (after,) = f.joins_after()
    trial = f.TRIED.trial
    assert trial is not None
    (query,) = trial.queries
    query = query.model_copy(
        update={
            "query": "guests of 'Zirbelheim'",
            "reason": 'invalid input syntax: "Canary O\'Grady"',
            "joins_after": (
                after.model_copy(
                    update={
                        "condition": CONDITION,
                        "why": "the list 'q9-secret' of season covers half of it",
                        "excluded": {"merge": "no ordering for 'rot13rot'"},
                    }
                ),
            ),
        }
    )
    return trial.model_copy(update={"queries": (query,), "reason": "slower: guests of 'bc-hex-51'"})


def planted() -> Audit:
    """Canaries in conditions, query, prose, evidence, SQL, errors and settings."""
    join = f.crossed_join(
        condition=CONDITION,
        why="the filter season = 'Zirbelheim' passes far more rows than its share",
        excluded={"merge": 'no ordering for value "Canary O\'Grady"'},
    )
    finding = f.FINDING.model_copy(
        update={
            "summary": "the most common value Zirbelheim covers half of season",
            "evidence": (
                Evidence(fact="most common value", value="Zirbelheim", from_="pg_stats"),
                Evidence(fact="constant compared", value=987654321, from_="plan"),
                Evidence(fact="filter (b.guest = 'Canary O''Grady'::text)", value=12, from_="plan"),
                Evidence(fact="column", value="season", from_="plan"),
            ),
        }
    )
    remedy = f.REMEDY.model_copy(
        update={
            "sql": (
                "CREATE INDEX CONCURRENTLY b_idx ON public.bookings (hut_id) WHERE season = 'Zirbelheim';",
                "ALTER TABLE public.bookings ALTER COLUMN season SET STATISTICS 500;",
            ),
            "reason": "rows with 'q9-secret' or 1234.5678 are frequent",
            "cautions": ("the predicate names Zirbelheim",),
            "trial": _tried(),
        }
    )
    failed = (
        f.mixed_audit()
        .plans[5]
        .model_copy(update={"reason": 'invalid input syntax for type integer: "Canary O\'Grady"', "query": QUERY})
    )
    session = f.Session(role="warden", database="huts", settings={"work_mem": "4MB", "hut.user": "q9-secret"})
    plan = f.crossed_plan(
        joins=(join,),
        findings=(finding,),
        query=QUERY,
        session=session,
        notes=("Filter: (code = E'bc-hex-51')",),
        missing=(f.Missing(what="a run", why="it was cut", how=f"EXPLAIN (ANALYZE, BUFFERS) {QUERY}"),),
    )
    return f.audit(plan, failed, remedies=(remedy,))


def outputs(audit: Audit) -> dict[str, str]:
    """Every format of one audit."""
    file = io.StringIO()
    render_terminal(audit, Console(file=file, width=200), verbose=True)
    return {
        "json": audit.to_json(),
        "terminal": file.getvalue(),
        "markdown": render_markdown(audit),
        "html": render_html(audit),
        "junit": render_junit(audit, {"crossed"}),
    }


def mask_audit(audit: Audit, key: bytes, names: bool = False) -> Masked:
    """The document as a command masks it."""
    masked = mask_document(audit)
    return mask_names(masked, key) if names else Masked(masked)


def test_the_canaries_are_there_before() -> None:
    """The check can fail: unmasked, each canary stands in some output."""
    text = "".join(outputs(planted()).values())

    assert [value for value in VALUES if value not in text and value.replace("'", "''") not in text] == []


@pytest.mark.parametrize("names", [False, True])
def test_no_value_is_found_in_any_output(names: bool) -> None:
    """Literals, comments, sampled values, error values and custom settings leave every format."""
    for form, text in outputs(mask_audit(planted(), KEY, names).audit).items():
        for value in (*VALUES, "O'Grady", "O''Grady", "Grady", "Söhne", "987,654,321"):
            assert value not in text, f"{value} in {form}"


def test_no_name_is_found_in_any_output() -> None:
    """With names masked, relations, columns, indexes, roles and databases are gone too."""
    for form, text in outputs(mask_audit(planted(), KEY, True).audit).items():
        for name in NAMES:
            assert name not in text, f"{name} in {form}"


def test_numbers_that_the_verdict_rests_on_stay() -> None:
    """Rows, costs, switch points and times are those of the audit."""
    before, after = planted(), mask_audit(planted(), KEY, True).audit

    assert after.plans[0].joins[0].switch_points == before.plans[0].joins[0].switch_points
    assert [n.actual_rows for n in after.plans[0].nodes] == [n.actual_rows for n in before.plans[0].nodes]
    assert after.summary == before.summary


def test_what_the_remedy_needs_stays() -> None:
    """A statistics target is no literal of the data."""
    assert "SET STATISTICS 500" in mask_audit(planted(), KEY).audit.remedies[0].sql[1]


def test_pseudonyms_are_stable_under_one_key_and_differ_under_another() -> None:
    """Two masked audits can be compared; another key tells nothing."""
    first, second = (mask_audit(planted(), KEY, True) for _ in range(2))
    other = mask_audit(planted(), b"another", True)

    assert first == second
    assert first.audit.plans[0].nodes[2].relation != other.audit.plans[0].nodes[2].relation


def test_names_come_back_with_the_undo_map() -> None:
    """What was masked locally can be read locally."""
    masked = mask_audit(planted(), KEY, True)
    text = unmask_text(render_markdown(masked.audit), masked.undo)

    assert "public.bookings" in text
    assert "huts_pkey" in text


def test_without_values_nothing_changes_but_literals() -> None:
    """Without names, pseudonyms are not made and the plan's names stay."""
    masked = mask_audit(planted(), KEY)

    assert masked.undo == {}
    assert masked.audit.plans[0].nodes[2].relation == "bookings"
    assert "b.season" in (masked.audit.plans[0].joins[0].condition or "")


def test_a_querys_name_is_masked_whole() -> None:
    """Not the half of it that is a table's name; where no name stands in it, it stays. The undo map gives it back."""
    named = f.audit(f.crossed_plan(source="lists/bookings-to-inspect.capture.json"), f.crossed_plan(source="evening"))
    masked = mask_names(named, KEY)
    shown = masked.audit.plans[0].source

    assert "to-inspect" not in masked.audit.to_json()
    assert masked.audit.plans[1].source == "evening"
    assert unmask_text(shown, masked.undo) == "lists/bookings-to-inspect.capture.json"


def test_a_name_of_two_letters_is_masked_in_sentences() -> None:
    """A column `hr` is told nowhere; a table named as a word of sentences leaves these readable."""
    masker = NameMasker(KEY, frozenset({"hr", "id", "of"}))
    told = masker.prose("An UPDATE of pay, hr also changes the index on id")
    assert re.fullmatch(r"An UPDATE of pay, n_\w+ also changes the index on n_\w+", told)
