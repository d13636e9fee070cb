"""The page of a list of queries in a real browser."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from rowreckon import audit, read_path
from rowreckon.document.audit import Audit
from tests.report import factories as f
from tests.report.browser.conftest import Opened
from tests.report.hostile import full_audit

pytestmark = pytest.mark.browser

Open = Callable[..., Opened]
SAMPLES = Path(__file__).parents[3] / "sample_plans"
SCREEN = 900


@cache
def sweep_of_24() -> Audit:
    """24 queries of the samples' list, as a sweep audits them: 21 plans of PostgreSQL 18 and three that did not run."""
    paths = sorted(SAMPLES.glob("*.18.json"))[:21]
    plans = [plan.model_copy(update={"name": path.name.split(".")[0]}) for path in paths for plan in read_path(path)]
    failed = tuple(plan for plan in f.mixed_audit().plans if plan.outcome != "ran")
    found = audit(plans, curves=True)
    late = f.crossed_plan(
        source="all pairs", joins=(), nodes=(), analyzed=False, execution_ms=None, outcome="timed_out"
    )
    unrun = f.crossed_plan(source="away", joins=(), nodes=(), analyzed=False, execution_ms=None, outcome="refused")
    return found.model_copy(update={"plans": (*found.plans, *failed, late, unrun)})


def test_a_sweep_of_24_queries_takes_8_screens(opened: Open) -> None:
    """At 1440 pixels, as it is opened."""
    shown = sweep_of_24()
    assert len(shown.plans) == 24
    page = opened(shown, 1440, SCREEN).page

    assert page.evaluate("document.documentElement.scrollHeight") <= 8 * SCREEN
    assert page.evaluate("document.documentElement.scrollWidth") <= 1440


def test_its_print_takes_12_pages_and_says_what_is_left_out(opened: Open) -> None:
    """A4; folded evidence stays out, and the page says so."""
    page = opened(sweep_of_24(), 1440, SCREEN).page
    page.emulate_media(media="print")
    note = page.query_selector(".on-paper")
    printed = page.pdf(format="A4")

    assert note.is_visible()
    assert 1 <= printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page ") <= 12


FIRST_SCREEN = ("h1", ".act", ".act pre.sql")


@pytest.mark.parametrize(
    ("size", "shown"),
    [((1440, 900), (*FIRST_SCREEN, ".parts", ".rows .row", "svg.timebar")), ((390, 844), FIRST_SCREEN)],
)
def test_the_first_screen_shows_the_result_and_what_to_do(
    opened: Open, size: tuple[int, int], shown: tuple[str, ...]
) -> None:
    """Without scrolling: the finding, the worst join, the statements to try; on a wide screen also where all of the
    time goes, and the first bars. Nothing is cut, and the list begins on the second screen at the latest."""
    page = opened(sweep_of_24(), *size).page
    assert page.query_selector(".rows").bounding_box()["y"] < 2 * size[1]
    for selector in shown:
        box = page.query_selector(selector).bounding_box()
        assert box["y"] + box["height"] <= size[1], selector
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= size[0], selector
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_every_query_stands_in_the_list(opened: Open) -> None:
    """Failed, refused and timed out ones too, each once; a link opens its evidence, though it is folded."""
    page = opened(sweep_of_24(), 1440, SCREEN).page
    assert page.evaluate("document.querySelectorAll('.rows .row').length") == 24
    words = page.evaluate("[...document.querySelectorAll('.rows .row .verdict')].map(e => e.textContent)")
    assert {"timed out", "refused", "failed"} <= set(words)
    target = page.evaluate("document.querySelectorAll('.rows .row a')[5].getAttribute('href')")
    page.click(f".rows a[href='{target}']")
    page.wait_for_function(f"document.querySelector('{target}').closest('details').open")


@pytest.mark.parametrize(
    ("width", "scheme"),
    [
        (1440, "light"),
        (390, "dark"),
        pytest.param(1440, "dark", marks=pytest.mark.full),
        pytest.param(390, "light", marks=pytest.mark.full),
    ],
)
@pytest.mark.parametrize("shown", ["sweep", "full", pytest.param("thousand", marks=pytest.mark.full)])
def test_axe_finds_no_violation(opened: Open, axe: str, shown: str, width: int, scheme: str) -> None:
    """Of a sweep and of what holds everything with all unfolded; of a thousand queries as they are opened."""
    made: dict[str, Callable[[], Audit]] = {"sweep": sweep_of_24, "full": full_audit, "thousand": f.workload_audit}
    if shown == "thousand" and (width, scheme) != (1440, "light"):
        return  # takes half a minute, and a row more is no other colour
    page: Any = opened(made[shown](), width, SCREEN, scheme).page
    page.set_default_timeout(180_000)
    if shown != "thousand":
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.evaluate(axe)
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")

    assert [f"{v['id']}: {v['help']} ({v['nodes'][0]['html'][:200]})" for v in found["violations"]] == []


def test_a_thousand_queries_are_one_file_without_script(opened: Open) -> None:
    """All of them in the list, below 5 MB, and nothing is asked for."""
    result = opened(f.workload_audit())

    assert result.page.evaluate("document.querySelectorAll('.rows .row').length") == 1000
    assert result.page.evaluate("document.querySelectorAll('script').length") == 0
    assert result.requests == [result.document]
    assert result.complaints == []
    assert len(result.page.content().encode()) < 5_000_000
