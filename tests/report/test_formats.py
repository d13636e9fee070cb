"""Terminal, Markdown and HTML as such: widths, limits, long plans, byte-identical output."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from pathlib import Path

import pytest
from rich.cells import cell_len
from rich.console import Console

from rowreckon.document.audit import Audit
from rowreckon.report.drawings.plan_picture import FoldLine, NodeLine
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.junit import render_junit
from rowreckon.report.formats.markdown import LIMIT, render_markdown
from rowreckon.report.formats.notebook import NotebookAudit
from rowreckon.report.formats.terminal import render_terminal
from rowreckon.report.story.plan_story import plan_picture
from tests.report import factories as f
from tests.report.hostile import PAYLOADS, full_audit, poisoned

_SQL = re.compile(r"^\s*(CREATE|ALTER|ANALYZE|DROP|SELECT|EXPLAIN|  ON|FROM|JOIN|WHERE|GROUP)")


def terminal(audit: Audit, width: int, *, verbose: bool = False, encoding: str = "utf-8") -> str:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding=encoding)
    render_terminal(audit, Console(file=file, width=width, force_terminal=False), verbose=verbose)
    file.flush()
    return raw.getvalue().decode(encoding)


@pytest.mark.parametrize("width", [60, 80, 120])
def test_terminal_keeps_to_its_columns(width: int) -> None:
    """Only SQL to copy may be longer than the terminal; nothing is padded with blanks."""
    for line in terminal(full_audit(), width, verbose=True).split("\n"):
        assert cell_len(line) <= width or _SQL.match(line), line
        assert line == line.rstrip()


def test_wide_letters_count_as_two_columns() -> None:
    """Chinese names wrap where the terminal would."""
    for line in terminal(poisoned(full_audit(), PAYLOADS["chinese"]), 80).split("\n"):
        assert cell_len(line) <= 80 or line.strip() in PAYLOADS["chinese"], line


def test_a_pipe_gets_no_colour() -> None:
    """No escape sequence without a terminal."""
    assert "\x1b" not in terminal(f.crossed_audit(), 80)


def test_no_color_is_respected(monkeypatch: pytest.MonkeyPatch) -> None:
    """NO_COLOR leaves bold and underline, and takes all colour (no-color.org)."""
    monkeypatch.setenv("NO_COLOR", "1")
    file = io.StringIO()
    render_terminal(f.crossed_audit(), Console(file=file, width=80, force_terminal=True))

    codes = {code for run in re.findall(r"\x1b\[([0-9;]*)m", file.getvalue()) for code in run.split(";")}
    assert codes & {"1", "4"}
    assert not any(len(code) == 2 and code[0] in "349" for code in codes)


def test_an_ascii_terminal_gets_ascii() -> None:
    """The ruler has an ASCII form, other characters are written out."""
    assert terminal(poisoned(full_audit(), PAYLOADS["chinese"]), 80, encoding="ascii").isascii()


def test_verdict_first_then_what_to_try_then_evidence() -> None:
    """The order of every format: who stops at the statements can act."""
    for text in (terminal(f.crossed_audit(), 80), render_markdown(f.crossed_audit()), render_html(f.crossed_audit())):
        places = [
            text.index(part) for part in ("48,310", "Cause", "CREATE STATISTICS", "error enters here", "What to try")
        ]
        assert places == sorted(places)


@pytest.mark.parametrize("audit", [f.long_plan_audit(), f.workload_audit(), poisoned(full_audit(), "|" * 30000)])
def test_markdown_stays_within_its_limit_and_says_what_is_cut(audit: Audit) -> None:
    """65,536 characters, counted as UTF-16 units."""
    text = render_markdown(audit)

    assert len(text.encode("utf-16-le")) // 2 <= LIMIT
    if len(audit.plans) > 1:
        assert "Cut to stay within 65,536 characters" in text
        assert "## Evidence: " in text or len(audit.plans) < 1000
    assert "## Cautions" in text
    first = min(place for place in (text.find("What to try"), text.find("**Try:**")) if place >= 0)
    assert first < 2000 or len(audit.remedies[0].reason) > 1000


@pytest.mark.parametrize("limit", [0, 10, 500, 3000, 20000])
def test_markdown_keeps_any_limit(limit: int) -> None:
    """Even one that is too small for the fixed parts."""
    text = render_markdown(f.workload_audit(40), limit=limit)

    assert 0.8 * limit <= len(text) <= limit


def test_a_long_plan_shows_what_matters_and_counts_the_rest() -> None:
    """5,000 nodes: the crossed join, its sides, the origin; the folded ones add up."""
    plan = f.long_plan_audit().plans[0]
    lines = plan_picture(plan).lines
    folds = [line for line in lines if isinstance(line, FoldLine)]
    shown = {line.node for line in lines if isinstance(line, NodeLine)}

    assert len(lines) < 80
    assert {1, 2, 3, 4} <= shown
    assert sum(len(fold.nodes) for fold in folds) + len(shown) == 5000
    assert any("as expected" in fold.said for fold in folds)


def test_folding_hides_no_misestimate_silently() -> None:
    """A misestimated node that is folded is counted in the fold's words."""
    plan = f.long_plan_audit(200).plans[0]
    wrong = [
        n.model_copy(update={"q_error": 500.0, "q_error_low": 400.0, "direction": "over"}) if n.id > 50 else n
        for n in plan.nodes
    ]
    lines = plan_picture(plan.model_copy(update={"nodes": tuple(wrong)})).lines
    shown = sum(isinstance(line, NodeLine) and line.node > 50 for line in lines)
    said = [re.search(r"(\d+) of them misest", line.said) for line in lines if isinstance(line, FoldLine)]

    assert sum(int(found.group(1)) for found in said if found) + shown == 149


def test_the_workload_page_is_under_five_megabytes() -> None:
    """A thousand queries, every third crossed."""
    assert len(render_html(f.workload_audit()).encode()) < 5_000_000


def test_a_thousand_crossed_queries_stay_under_five_megabytes_and_all_are_named() -> None:
    """What does not fit stands in the table, and the page says so."""
    text = render_html(f.audit(*(f.crossed_plan(source=f"query {n}") for n in range(1000))))

    assert len(text.encode()) < 5_000_000
    assert all(f"query {n}<" in text for n in range(1000))


def test_html_needs_nothing_else() -> None:
    """No script, no address to fetch, styles allowed by hash only."""
    text = render_html(full_audit())

    assert "<script" not in text
    assert not re.search(r"(src|srcset|action|background|poster|data)\s*=", text.split("</style>")[1])
    assert set(re.findall(r'href="([^"]*)"', text)) <= {
        "#evidence",
        *(f"#plan-{n}" for n in range(9)),
        *(f"#change-{n}" for n in (1, 2)),
    }
    assert not re.search(r"url\((?!#)|@import", text)
    assert "default-src 'none'; style-src 'sha256-" in text.replace("&#39;", "'")
    assert " style=" not in text


def test_a_notebook_gets_the_report_in_a_frame_that_runs_nothing() -> None:
    """Styles stay in the frame, scripts have no right to run."""
    shown = NotebookAudit.of(f.crossed_audit())
    text = shown._repr_html_()

    assert text.startswith("<iframe")
    assert 'sandbox=""' in text
    assert text.count("<") == 2
    assert shown._repr_markdown_() == render_markdown(f.crossed_audit())


_SCRIPT = """
import hashlib, io, sys
from rich.console import Console
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.junit import render_junit
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.formats.terminal import render_terminal
from tests.report.hostile import full_audit
audit = full_audit()
file = io.StringIO()
render_terminal(audit, Console(file=file, width=80))
texts = [audit.to_json(), file.getvalue(), render_markdown(audit), render_html(audit), render_junit(audit, {"crossed"})]
print(hashlib.sha256("".join(texts).encode()).hexdigest())
"""


def test_the_same_audit_gives_the_same_bytes_in_every_process() -> None:
    """Hash seeds differ, bytes do not."""
    digests = {
        subprocess.run(
            [sys.executable, "-c", _SCRIPT],
            env={"PYTHONHASHSEED": seed, "PYTHONPATH": ":".join(sys.path)},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(digests) == 1


def test_the_json_path_loads_no_renderer() -> None:
    """Writing JSON needs neither rich nor Jinja nor the grammar."""
    code = (
        "import sys; from rowreckon.document.audit import Audit, Summary; "
        "Audit(tool_version='1', summary=Summary()).to_json(); "
        "print([m for m in ('rich', 'jinja2', 'postgast', 'markupsafe') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert out.stdout.strip() == "[]"


def test_a_plan_of_plain_conditions_loads_no_grammar() -> None:
    """Its terminal report neither; a tenth of what the command takes for such a plan would go into loading it."""
    plan = Path(__file__).parents[2] / "sample_plans" / "missing-join-index.18.json"
    code = (
        "import sys; from rowreckon.cli.run import run; "
        f"status = run(['audit', {str(plan)!r}]); "
        "sys.stderr.write(repr((status, 'rich.console' in sys.modules, 'postgast' in sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stderr == "(0, True, False)"


def test_junit_of_a_long_list_is_quick_to_read() -> None:
    """A case for each of a thousand queries."""
    assert render_junit(f.workload_audit(), {"crossed"}).count("<testcase") == 1000
