"""The layout of ten different reports at three widths: no text on another, none cut off, none squeezed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from rowreckon import audit, read_path
from rowreckon.capture import Capture
from rowreckon.captures.masking import mask_capture
from rowreckon.document.audit import Audit
from rowreckon.report.comparing.compare import compare
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.html.compare_page import comparison_html
from rowreckon.report.mask import mask_names
from tests.report.browser.conftest import Opened
from tests.report.browser.test_list_page import sweep_of_24

pytestmark = pytest.mark.browser

REPORT = Path(__file__).parents[1]
SAMPLES = REPORT.parents[1] / "sample_plans"
WIDTHS = (1440, 768, 390)

# Every line of every text that is shown: its text's number, the text, left, top, right, bottom. What scrolls by itself
# is left out.
LINES = """() => {
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let number = 0; walker.nextNode(); number++) {
    const text = walker.currentNode, parent = text.parentElement;
    if (!text.data.trim() || !parent.checkVisibility() || parent.closest('.skip, .wide, title, defs')) continue;
    const range = document.createRange();
    range.selectNodeContents(text);
    for (const box of range.getClientRects())
      if (box.width > 0) found.push([number, text.data.trim(), box.left, box.top, box.right, box.bottom]);
  }
  return found;
}"""
# Boxes that cut their content off.
CUT = """() => [...document.querySelectorAll('body *')].filter(e => e.checkVisibility() && !e.closest('svg, .skip')
  && ['hidden', 'clip'].includes(getComputedStyle(e).overflowX) && e.scrollWidth > e.clientWidth + 1)
  .map(e => e.outerHTML.slice(0, 100))"""

Line = tuple[int, str, float, float, float, float]


def _audited(*paths: Path) -> Audit:
    return audit([capture for path in paths for capture in read_path(path)], curves=True)


def _masked() -> Audit:
    captures = read_path(REPORT / "captures" / "join-key-skew.capture.json")
    masked = [mask_capture(capture) for capture in captures if isinstance(capture, Capture)]
    return mask_names(audit(masked), b"a key of the test").audit


def _stored(name: str) -> Audit:
    return Audit.model_validate_json((REPORT / "audits" / f"{name}.json").read_text("utf-8"))


def _comparison() -> str:
    before, after = _stored("several"), _stored("tried")
    changed = [plan.model_copy(update={"runs_ms": (9.0, 9.1, 9.2, 9.1)}) for plan in before.plans[:4]]
    return comparison_html(compare(before, after.model_copy(update={"plans": (*after.plans, *changed)})))


REPORTS: dict[str, Callable[[], Audit | str]] = {
    "crossed": lambda: _audited(REPORT / "captures" / "stale-statistics.capture.json"),
    "held": lambda: _audited(SAMPLES / "anti-join.18.json"),
    "undecided": lambda: _audited(SAMPLES / "function-row-default.18.json"),
    "below a Gather": lambda: _audited(SAMPLES / "parallel-workers.18.json"),
    "no join": lambda: _audited(SAMPLES / "time-elsewhere.18.json"),
    "deep plan": lambda: _audited(REPORT / "plans" / "seven-joins.capture.json"),
    "list": sweep_of_24,
    "trial": lambda: _stored("tried"),
    "comparison": _comparison,
    "masked": _masked,
}


@cache
def document(name: str) -> str:
    made = REPORTS[name]()
    return made if isinstance(made, str) else render_html(made)


@pytest.mark.parametrize("name", REPORTS)
def test_texts_keep_out_of_each_others_way(opened: Callable[..., Opened], name: str) -> None:
    """With the folds as they are opened, and with all of them open but the evidence of a list's further plans."""
    page = opened(document(name)).page
    for unfold in ("0", "document.querySelectorAll('details:not(.plan)').forEach(d => d.open = true)"):
        page.evaluate(unfold)
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 900})
            lines: list[Line] = page.evaluate(LINES)
            assert len(lines) > 10
            assert overlaps(lines) == [], width
            assert [line for line in lines if line[2] < -1 or line[4] > width + 1] == [], width
            assert squeezed(lines) == [], width
            assert page.evaluate(CUT) == [], width


def overlaps(lines: list[Line]) -> list[tuple[str, str]]:
    """Pairs of lines that lie on each other by more than the room that fonts leave above and below letters."""
    found = []
    ordered = sorted(lines, key=lambda line: line[3])
    for place, (_, text, left, top, right, bottom) in enumerate(ordered):
        spare = (bottom - top) / 4
        for _, other, start, above, end, below in ordered[place + 1 :]:
            if above >= bottom - spare:
                break
            if min(right, end) - max(left, start) > 1.5 and min(bottom, below) - above > spare + (below - above) / 4:
                found.append((text, other))
    return found


def squeezed(lines: list[Line]) -> list[str]:
    """Texts of three lines or more that hold fewer than five letters a line."""
    texts = {number: text for number, text, *_ in lines}
    counted = Counter(number for number, *_ in lines)
    return [texts[number] for number, count in counted.items() if count > 2 and len(texts[number]) < 5 * count]


def test_the_checks_can_fail() -> None:
    """A label on another and a word with a letter a line are found; lines one below the other are not."""
    first: Line = (0, "expected 1", 10, 100, 80, 116)
    assert overlaps([first, (1, "came 45,224", 60, 104, 140, 120)]) == [("expected 1", "came 45,224")]
    assert overlaps([first, (1, "came 45,224", 60, 114, 140, 130)]) == []
    assert squeezed([(0, "Nested Loop", 0, 20.0 * line, 12, 20.0 * line + 16) for line in range(5)]) == ["Nested Loop"]
    assert squeezed([first]) == []
