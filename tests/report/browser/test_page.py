"""The HTML report in a real browser."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rowreckon.document.audit import Audit
from rowreckon.report.formats.notebook import NotebookAudit
from tests.report import factories as f
from tests.report.browser.conftest import Opened
from tests.report.hostile import PAYLOADS, full_audit, poisoned

pytestmark = pytest.mark.browser

STORED = Path(__file__).parents[1] / "audits"
Open = Callable[..., Opened]
SIZES = [(1280, 800), (390, 844)]


@pytest.mark.parametrize("audit", [f.crossed_audit(), full_audit(), f.long_plan_audit()], ids=["one", "full", "long"])
def test_nothing_leaves_the_page_and_nothing_goes_wrong(opened: Open, audit: Audit) -> None:
    """The only request is for the file itself; the console stays empty."""
    result = opened(audit)
    result.page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    result.page.wait_for_timeout(200)

    assert result.requests == [result.document]
    assert result.complaints == []


@pytest.mark.parametrize("name", sorted(PAYLOADS))
def test_payloads_execute_nothing_and_read_as_text(opened: Open, name: str) -> None:
    """Script, markup, addresses, CSS and escapes in every string field: inert, visible, and nothing fetched."""
    payload = PAYLOADS[name]
    result = opened(poisoned(full_audit(), payload))
    result.page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    result.page.wait_for_timeout(100)

    assert result.page.evaluate("window.pwned") is None
    assert result.requests == [result.document]
    assert result.complaints == []
    assert (
        result.page.evaluate("document.querySelectorAll('script, img, iframe, object, link, base, form').length") == 0
    )
    assert result.page.evaluate("getComputedStyle(document.querySelector('h1')).display") == "block"
    rows = result.page.evaluate(
        "[...document.querySelectorAll('table')].map(t => [...t.rows].map(r => r.cells.length))"
        ".every(cells => new Set(cells).size <= 1)"
    )
    assert rows
    if payload.isprintable() and len(payload) < 200 and name != "marks":
        assert payload.split("||")[0].strip() in result.page.evaluate("document.body.textContent")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(
    "audit",
    [
        f.crossed_audit(),
        full_audit(),
        f.one_join_audit(f.undecided_join()),
        pytest.param(f.long_plan_audit(300), marks=pytest.mark.full),
    ],
    ids=["one", "full", "undecided", "long"],
)
def test_axe_finds_no_violation(opened: Open, axe: str, audit: Audit, size: tuple[int, int], scheme: str) -> None:
    """All of axe-core's rules, with everything unfolded."""
    result = opened(audit, *size, scheme)
    result.page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    result.page.evaluate(axe)
    found = result.page.evaluate("axe.run(document, {resultTypes: ['violations']})")

    assert found["passes"]
    told = [f"{v['id']}: {v['help']} ({v['nodes'][0]['html'][:200]})" for v in found["violations"]]
    assert told == []


@pytest.mark.parametrize("size", [(1440, 900), (390, 844)])
@pytest.mark.parametrize("name", ["one-crossed", "two-joins"])
def test_the_first_screen_is_the_ticket(opened: Open, name: str, size: tuple[int, int]) -> None:
    """Without scrolling: query, verdict, time, the whole ruler, the cause and the statements to try; the plan's picture
    begins on the second screen at the latest."""
    audit = Audit.model_validate_json((STORED / f"{name}.json").read_text("utf-8"))
    page = opened(audit, *size).page
    for selector in (".query", "h1", ".time", "svg.ruler", ".act dd", ".act pre.sql"):
        box = page.query_selector(selector).bounding_box()
        assert box["y"] + box["height"] <= size[1], selector
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= size[0], selector
    assert page.query_selector(".plan-picture").bounding_box()["y"] < 2 * size[1]
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert len(page.title()) <= 90


@pytest.mark.parametrize("width", [1440, 768, 390])
def test_nothing_is_cut_at_the_right_edge(opened: Open, width: int) -> None:
    """With every line of the plan and every fold open, tables and statements included."""
    page = opened(full_audit(), width, 900).page
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    cut = page.evaluate(
        "[...document.querySelectorAll('body *')].filter(e => e.checkVisibility() && !e.closest('.skip, .wide')"
        " && e.getBoundingClientRect().right > window.innerWidth + 1).map(e => e.outerHTML.slice(0, 80))"
    )

    assert cut == []


def test_a_line_of_the_plan_opens_without_a_script(opened: Open) -> None:
    """By the keyboard; what it shows are the node's figures."""
    page = opened(f.crossed_audit()).page
    page.focus(".node-line summary")
    page.keyboard.press("Enter")

    assert page.is_visible(".node-line dl.details")
    assert "expected 12" in page.inner_text(".node-line dl.details")


def test_labels_on_the_ruler_do_not_lie_on_each_other(opened: Open) -> None:
    """At both sizes, for the first ruler: no two texts overlap."""
    for size in SIZES:
        page = opened(f.crossed_audit(), *size).page
        boxes = page.evaluate(
            "[...document.querySelector('svg.ruler').querySelectorAll('text')].map(t => {"
            "const b = t.getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom]})"
        )
        assert len(boxes) >= 5
        for i, (left, top, right, bottom) in enumerate(boxes):
            for other in boxes[i + 1 :]:
                apart = right <= other[0] or other[2] <= left or bottom - 3 <= other[1] or other[3] - 3 <= top
                assert apart, (size, boxes[i], other)


def test_everything_is_reached_by_keyboard(opened: Open) -> None:
    """Tab goes through every link, fold and scrolling region in order; Enter folds and unfolds."""
    page = opened(full_audit()).page
    expected = page.evaluate(
        "[...document.querySelectorAll('a[href], summary, [tabindex=\"0\"]')].filter(e => e.checkVisibility()).length"
    )
    seen: set[str] = set()
    for _ in range(expected):
        page.keyboard.press("Tab")
        seen.add(
            page.evaluate(
                "(e => { e.dataset.at ??= String(performance.now()); return e.dataset.at })(document.activeElement)"
            )
        )
    assert len(seen) == expected
    page.focus("details.plan summary")
    before = page.evaluate("document.querySelector('details.plan').open")
    page.keyboard.press("Enter")
    assert page.evaluate("document.querySelector('details.plan').open") is not before


def test_sql_is_selected_by_one_click(opened: Open) -> None:
    """To copy needs no script: a click selects the statements, all of them and nothing else."""
    page = opened(f.crossed_audit()).page
    page.click("text=CREATE STATISTICS public")
    assert page.evaluate("getSelection().toString().trim()") == "\n".join(f.REMEDY.sql)


def test_a_thousand_queries_open(opened: Open) -> None:
    """Without a complaint; how fast is measured in tests/benchmarks."""
    result = opened(f.workload_audit())
    assert result.page.query_selector("h1") is not None
    assert result.complaints == []


def test_a_notebook_frame_shows_the_report(opened: Open, browser: Any) -> None:
    """Within a sandboxed frame the page renders, with its styles, and asks for nothing."""
    page = browser.new_page()
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.set_content(NotebookAudit.of(f.crossed_audit())._repr_html_())
    frame = page.frames[1]
    assert frame.query_selector("h1") is not None
    assert "48,310" in frame.content()
    assert complaints == []
    page.close()
