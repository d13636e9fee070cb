"""A real browser for the HTML report: Debian's chromium, driven by playwright; axe-core from npm, run in the page.

Without them the tests skip and say why; with ROWRECKON_REQUIRE_BROWSER=1 that is a failure.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from rowreckon.document.audit import Audit
from rowreckon.report.formats.html import render_html

AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


def _lacking(what: str) -> None:
    if os.environ.get("ROWRECKON_REQUIRE_BROWSER") == "1":
        pytest.fail(f"ROWRECKON_REQUIRE_BROWSER is set, but {what}")
    pytest.skip(what)


@dataclass
class Opened:
    """A page with what it asked for and complained of."""

    page: Any
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)
    document: str = ""


@pytest.fixture(scope="package")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One browser with an empty user data folder."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        _lacking("chromium is not installed (Debian: apt-get install chromium)")
    try:
        from playwright.sync_api import Error, sync_playwright
    except ImportError:
        _lacking("playwright is not installed (pip install playwright)")
    with sync_playwright() as driver:
        context = driver.chromium.launch_persistent_context(
            str(tmp_path_factory.mktemp("profile")), executable_path=program, args=FLAGS
        )
        yield context
        # a browser that has ended by itself after the last page has nothing left to close
        with suppress(Error):
            context.close()


@pytest.fixture(scope="session")
def axe() -> str:
    """The accessibility checker's source."""
    if not AXE.is_file():
        _lacking(f"axe-core is not installed (npm ci in {Path(__file__).parent.name}/ beside its package.json)")
    return AXE.read_text("utf-8")


@pytest.fixture
def opened(browser: Any, tmp_path: Path) -> Iterator[Callable[..., Opened]]:
    """Opens an audit's report, or a document, with everything recorded that leaves the page or goes wrong in it."""
    pages: list[Any] = []

    def show(audit: Audit | str, width: int = 1280, height: int = 800, scheme: str = "light") -> Opened:
        path = tmp_path / f"report-{len(pages)}.html"
        path.write_text(audit if isinstance(audit, str) else render_html(audit), encoding="utf-8")
        page = browser.new_page()
        page.set_default_timeout(15_000)
        pages.append(page)
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(color_scheme=scheme)
        result = Opened(page, document=path.as_uri())
        page.on("request", lambda request: result.requests.append(request.url))
        page.on("console", lambda message: result.complaints.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: result.complaints.append(str(error)))

        def dismissed(dialog: Any) -> None:
            result.complaints.append("dialog")
            dialog.dismiss()

        page.on("dialog", dismissed)
        page.goto(result.document, wait_until="load")
        return result

    yield show
    for page in pages:
        page.close()
