"""No sentence of any output has more than 25 words (the limit is ours: common practice, no source).

`sentences.py` gathers what is said; this file holds every output, and the texts of the code that no example says.
"""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from rich.console import Console

import rowreckon
from rowreckon.auditing import audit
from rowreckon.causes.registry import CAUSES, Cause
from rowreckon.document.audit import Audit
from rowreckon.intake import read_path
from rowreckon.report.comparing.compare import Comparison, compare
from rowreckon.report.comparing.compare_document import comparison_document
from rowreckon.report.formats.compare_text import comparison_markdown, render_comparison
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.html.compare_page import comparison_html
from rowreckon.report.formats.markdown import render_markdown
from tests.report import factories as f
from tests.report import sentences as s

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
SOURCES = Path(rowreckon.__file__).parent
SAMPLES = sorted(
    path
    for folder in (ROOT / "sample_plans", HERE / "captures", HERE / "plans")
    for path in folder.iterdir()
    if path.suffix in (".json", ".txt")
)
STORED = sorted((HERE / "audits").iterdir())


def _stored(path: Path) -> Audit:
    return Audit.model_validate_json(path.read_text("utf-8"))


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
def test_a_sample_is_told_in_short_sentences(path: Path) -> None:
    """Every plan that a real server gave, in every format."""
    assert s.too_long(s.of_audit(audit(read_path(path), curves=False))) == []


@pytest.mark.parametrize("path", STORED, ids=lambda path: path.name)
def test_a_stored_audit_is_told_in_short_sentences(path: Path) -> None:
    """Among them a list of seven queries and a trial's list."""
    assert s.too_long(s.of_audit(_stored(path))) == []


def test_a_list_of_all_samples_is_told_in_short_sentences() -> None:
    """One report on them all."""
    captures = [capture for path in SAMPLES for capture in read_path(path)]

    assert s.too_long(s.of_audit(audit(captures, curves=False))) == []


@pytest.mark.parametrize("told", [f.mixed_audit(), f.tried_audit(), f.inner_audit(), f.quiet_audit(), f.audit()])
def test_what_servers_seldom_give_is_told_in_short_sentences(told: Audit) -> None:
    """Queries that did not end, unreadable inputs, every part of a trial, nothing at all."""
    assert s.too_long(s.of_audit(told)) == []


def _said(comparison: Comparison) -> list[str]:
    console = Console(file=io.StringIO(), width=80)
    return s.too_long(
        [
            *s.heard("terminal", lambda: render_comparison(comparison, console, verbose=True)),
            *s.of_markdown(comparison_markdown(comparison, verbose=True)),
            *s.of_html(comparison_html(comparison, verbose=True)),
            *s.of_document(comparison_document(comparison, "0.0.0").model_dump(mode="json")),
        ]
    )


def test_a_comparison_is_told_in_short_sentences() -> None:
    """Of each stored audit with the same, and of two lists that differ in all that can differ."""
    several, mixed, tried = _stored(HERE / "audits" / "several.json"), f.mixed_audit(), f.tried_audit()

    for before, after in ((several, mixed), (mixed, tried), (tried, tried), (mixed, mixed)):
        assert _said(compare(before, after)) == []


@pytest.mark.parametrize("page", sorted((SOURCES / "guide").glob("*.md")), ids=lambda path: path.stem)
def test_the_guide_is_told_in_short_sentences(page: Path) -> None:
    """As `rowreckon guide` prints it."""
    assert s.too_long(s.of_markdown(page.read_text("utf-8"))) == []


def test_the_first_page_and_the_changes_are_told_in_short_sentences() -> None:
    """Of README what stands outside its tables of commands; what users notice of a release."""
    assert s.too_long(s.of_markdown((SOURCES / "CHANGES.md").read_text("utf-8"))) == []
    assert s.too_long(s.of_markdown((ROOT / "README.md").read_text("utf-8"))) == []


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.code)
def test_a_cause_is_explained_in_short_sentences(cause: Cause) -> None:
    """The page that `rowreckon cause` prints."""
    assert s.too_long(("page", part) for part in re.split(r"\n\n|^## .*$", cause.page, flags=re.MULTILINE)) == []


def test_no_text_of_the_sources_is_long() -> None:
    """Errors, questions, warnings, help: what is printed on stderr has no document, so the code is read."""
    assert s.too_long(s.of_sources(SOURCES)) == []


LONG = "This sentence goes on; it has a semicolon: it tells a second thing, " + "and then " * 5 + "so " + "it ends."


def test_a_long_sentence_is_found_wherever_it_stands() -> None:
    """In a cause, a caution, a note, an error's text; neither `;` nor `:` parts it, and a name counts as one word."""
    assert s.words(LONG) == 26
    assert s.too_long([("here", LONG)]) == [f"26 words, here: {LONG}"]
    assert s.too_long([("here", LONG.replace("so ", ""))]) == []
    assert s.too_long([("here", "Tables " + ", ".join(["NAME"] * 40) + " are read.")]) == []


@pytest.mark.parametrize("part", ["summary", "reason", "note"])
def test_a_long_sentence_is_found_in_every_format(part: str) -> None:
    """Put into the document, it is found in the terminal, Markdown, HTML and JSON."""
    plan = f.crossed_plan()
    remedy = f.REMEDY
    if part == "summary":
        plan = plan.model_copy(update={"findings": (plan.findings[0].model_copy(update={"summary": LONG}),)})
    elif part == "note":
        plan = plan.model_copy(update={"notes": (LONG,)})
    else:
        remedy = remedy.model_copy(update={"reason": LONG})
    told = f.audit(plan, remedies=(remedy,))

    for said in (
        s.of_terminal(told),
        s.of_markdown(render_markdown(told)),
        s.of_html(render_html(told)),
        s.of_document(told.model_dump(mode="json")),
    ):
        assert any(LONG in found for found in s.too_long(said))


def test_an_error_is_counted_with_its_advice(tmp_path: Path) -> None:
    """Neither half is long, and both stand in one sentence on stderr."""
    (tmp_path / "one.py").write_text(f'raise UsageError("{"first " * 12}", where=path, hint="{"second " * 12}")')
    (found,) = s.too_long(s.of_sources(tmp_path))

    assert found.startswith("27 words, one.py:1: rowreckon: first")


def test_a_long_sentence_is_found_in_the_sources(tmp_path: Path) -> None:
    """With an inserted value as one word; documentation, SQL and lists of names are left out."""
    names = "one two three " * 10
    (tmp_path / "one.py").write_text(
        f'"""{LONG}"""\nx = f"{LONG[:-1]} {{1}}."\ny = "select {LONG} from t"\nz = "{names}".split()\n'
    )

    assert s.too_long(s.of_sources(tmp_path)) == [f"27 words, one.py:2: {LONG[:-1]} NAME."]
