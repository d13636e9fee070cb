"""One walk over all numbers of the JSON: each is either found in the other formats or listed here as not shown."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from typing import Any

import pytest
from markdown_it import MarkdownIt
from rich.console import Console

from rowreckon.document.audit import CurvePoint, Join
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.formats.terminal import render_terminal
from rowreckon.report.words.numbers import cost, milliseconds, number, times
from tests.report import factories as f

Show = Callable[[float], str]


def _version(value: float) -> str:
    return f"{int(value) // 10000}.{int(value) % 10000}"


def _factor(value: float) -> str:
    return times(value).removesuffix(" times")


# Path patterns, list positions written as *: how a number there is shown, the first that fits.
SHOWN: list[tuple[str, Show]] = [
    (r"plans\.\*\.server_version", _version),
    (r"plans\.\*\.(planning|execution)_ms", milliseconds),
    (r"plans\.\*\.runs_ms\.\*", milliseconds),
    (r"plans\.\*\.nodes\.\*\.(estimated_rows|actual_rows)", number),
    (r"plans\.\*\.nodes\.\*\.own_ms", milliseconds),
    (r"plans\.\*\.joins\.\*\.(outer|inner)\.(estimated|actual)_rows", number),
    (r"plans\.\*\.joins\.\*\.costs\.\w+\.at_(estimate|actual)", cost),
    (r"plans\.\*\.joins\.\*\.switch_points\.\*\.(outer_rows|inner_from_rows)", number),
    (r"plans\.\*\.joins\.\*\.margin\.(up|down)", times),
    (r"plans\.\*\.joins\.\*\.inner_rows_per_outer\.\w+", number),
    (r"plans\.\*\.joins\.\*\.loss_factor", times),
    (r"plans\.\*\.joins\.\*\.residual", lambda v: f"{v:.4f}"),
    (r"plans\.\*\.joins\.\*\.contest\.\w+", milliseconds),
    (r"plans\.\*\.joins\.\*\.scale", number),
    (r"plans\.\*\.joins\.\*\.row_visits\.\w+\.at_(estimate|actual)", number),
    (r"plans\.\*\.joins\.\*\.safe_origins\.\*\.(q_error_here|safe_q_error)", _factor),
    (r"plans\.\*\.findings\.\*\.evidence\.\*\.value", number),
    (r"plans\.\*\.time_elsewhere\.\*\.ms", milliseconds),
    (r"(remedies|plans\.\*\.findings)\.\*\.confidence", lambda v: f"onfidence {v:g}"),  # it may begin its sentence
    (r"remedies\.\*\.expected_gain_ms\.(low|high)", milliseconds),
    (r"remedies\.\*\.side_effects\.\*\.(before|after)_ms", milliseconds),
    (r"remedies\.\*\.trial\.(before|after)_ms", milliseconds),
    (r"remedies\.\*\.trial\.q_error_(before|after)", number),
    (r"remedies\.\*\.trial\.queries_planned", lambda v: f"{number(v)} queries of the list"),
    (r"remedies\.\*\.trial\.queries\.\*\.joins_after\.\*\.outer\.(estimated|actual)_rows", number),
    (r"remedies\.\*\.trial\.queries\.\*\.joins_after\.\*\.switch_points\.\*\.outer_rows", number),
    (r"remedies\.\*\.rank", lambda v: f"{int(v)}."),
    (r"summary\.(plans|joins|crossed|misestimated_nodes)", number),
]

# Numbers that no sentence shows, and why.
NOT_SHOWN = {
    r".*\.(node|id|path\.\*|joins\.\*\.(missing|origin)\.\*|findings\.\*\.(plan|finding))": "says which part is meant",
    r".*\.(missing\.\*|origin\.\*|joins\.\*)": "says which part is meant",
    r".*\.(estimated_rows_low|estimated_rows_high|q_error_low|estimated_rows_per_loop)": "the interval behind a figure",
    r".*\.(loops)": "shown for subplans, checked with their sentence",
    r".*\.(q_error|q_error_here)": "shown as orders of magnitude or as a factor in its sentence",
    r".*\.switch_points\.\*\.(low|high|inner_rows)": "shown only where the evidence leaves more than a twentieth",
    r".*\.ways\.\*\.at_(estimate|actual)": "the cheapest existing way stands as the method's cost",
    r".*\.curve\..*": "drawn",
    r"remedies\.\*\.trial\.(apply_ms|index_kb|rank_before)": "what the trial took, not what it brought",
    r"remedies\.\*\.trial\.queries\.\*\.(before|after)(_runs)?_ms(\.\*)?": "one query alone: the trial's own times",
    r"remedies\.\*\.trial\.queries\.\*\.plan": "says which part is meant",
    r"remedies\.\*\.trial\.queries\.\*\.joins\..*": "the drawn joins say it",
    r".*\.joins_after\.\*\.(path\.\*|residual|scale|loss_factor|margin\.\w+|inner_rows_per_outer\.\w+)": "not drawn",
    r".*\.joins_after\.\*\.(costs|row_visits)\..*": "not drawn: the stretches come of them",
    r".*\.joins_after\.\*\.inner\..*": "shown where it is off",
    r"remedies\.\*\.cost_ratio": "gives way to a measured gain",
    r"summary\.(held|undecided|accurate)": "zero",
    r"summary\.execution_ms": "stands in the plan",
}


def _numbers(value: Any, path: str = "") -> Iterator[tuple[str, float]]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _numbers(item, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for item in value:
            yield from _numbers(item, f"{path}.*")
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield path, float(value)


class _Text(HTMLParser):
    """A page's text without its styles."""

    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.in_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.in_style = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self.in_style = False

    def handle_data(self, data: str) -> None:
        if not self.in_style:
            self.parts.append(data)


def _html_text(audit: f.Audit) -> str:
    parser = _Text()
    parser.feed(render_html(audit))
    return " ".join(" ".join(parser.parts).split())


def _markdown_text(audit: f.Audit) -> str:
    tokens = MarkdownIt("gfm-like", {"linkify": False}).parse(render_markdown(audit))
    parts = [child.content for token in tokens for child in token.children or [token] if child.content]
    return " ".join(" ".join(parts).split()) + " " + render_markdown(audit)


def _terminal_text(audit: f.Audit) -> str:
    file = io.StringIO()
    render_terminal(audit, Console(file=file, width=400), verbose=True)
    return " ".join(file.getvalue().split())


def _stands(text: str, shown: str) -> bool:
    """Whether the figure stands there as a whole, not within a longer one."""
    return re.search(rf"(?<![\d,.]){re.escape(shown)}(?![\d]|,\d|\.\d)", text) is not None


def _audits() -> list[f.Audit]:
    curve = (CurvePoint(outer_rows=1, costs={"hash": 5.0}), CurvePoint(outer_rows=9, costs={"hash": 6.0}))
    joins: list[Join] = [
        f.crossed_join(scale=3.0, curve=curve, margin=f.Margin(up=71.5, down=13.25), residual=1.037),
        f.inner_wrong_join(),
        f.held_join(),
    ]
    audits = [f.audit(f.crossed_plan(joins=(join,)), remedies=(f.REMEDY, f.INDEX_REMEDY)) for join in joins]
    return [*audits, f.tried_audit()]


@pytest.mark.parametrize("audit", _audits(), ids=["crossed", "inner", "held", "tried"])
def test_every_number_of_the_json_stands_in_the_other_formats(audit: f.Audit) -> None:
    """All formats agree, since they say the same figures in the same way."""
    texts = {"html": _html_text(audit), "markdown": _markdown_text(audit), "terminal": _terminal_text(audit)}
    for path, value in _numbers(json.loads(audit.to_json())):
        show = next((show for pattern, show in SHOWN if re.fullmatch(pattern, path)), None)
        if show is None:
            assert any(re.fullmatch(pattern, path) for pattern in NOT_SHOWN), f"{path} is neither shown nor excused"
            continue
        nothing_to_say = (path.startswith("summary.") and value == 0) or (path.endswith(".loss_factor") and value == 1)
        if nothing_to_say:
            continue
        for form, text in texts.items():
            assert _stands(text, show(value)), f"{path} = {value} is not in the {form} report as {show(value)!r}"
