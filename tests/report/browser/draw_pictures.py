"""Draws reports as a browser shows them, for somebody to look at: three sizes, two themes, and a first page in print.

`python -m tests.report.browser.draw_pictures` draws what is not of today's reports, `--all` draws all anew,
`--into FOLDER` elsewhere and records nothing.
"""

from __future__ import annotations

import argparse
import io
import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.report import pictured

COMMAND = "python -m tests.report.browser.draw_pictures"
KEPT = Path(__file__).parent / "reviewed"
RECORD = KEPT / "drawn-from.json"
SIZES = {"1440": (1440, 900), "768": (768, 1024), "390": (390, 844)}
THEMES = ("light", "dark")
PAPER = (718, 1047)
"""A4 without margins of a centimetre, in CSS pixels of which 96 are an inch."""
COLOURS = 32
"""So many tell the few flat colours of a report and the edges of its letters, at a quarter of the size."""
_SCREENS = {"light": 2, "dark": 1}
"""The second screen is laid out alike in both themes."""


def pictures(name: str) -> tuple[str, ...]:
    """The file names of a report's pictures: `tried-390-dark.png`, `tried-print.png`."""
    return (*(f"{name}-{size}-{theme}.png" for size in SIZES for theme in THEMES), f"{name}-print.png")


@contextmanager
def _browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        raise SystemExit("Chromium is not installed: apt-get install chromium, then run this again.")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


def _draw(browser: Any, name: str, folder: Path) -> None:
    """All pictures of one report, of its first screens or its first page."""
    with tempfile.TemporaryDirectory() as place:
        document = Path(place) / "report.html"
        document.write_text(pictured.page(name), encoding="utf-8")
        shown = browser.new_page()
        shown.goto(document.as_uri())
        for size, (width, height) in SIZES.items():
            for theme in THEMES:
                shown.emulate_media(color_scheme=theme)
                _shoot(shown, width, height * _SCREENS[theme], folder / f"{name}-{size}-{theme}.png")
        shown.emulate_media(media="print", color_scheme="light")
        _shoot(shown, *PAPER, folder / f"{name}-print.png")
        shown.close()


def _shoot(shown: Any, width: int, height: int, path: Path) -> None:
    from PIL import Image

    shown.set_viewport_size({"width": width, "height": height})
    tall = min(height, shown.evaluate("document.documentElement.scrollHeight"))
    area = {"x": 0, "y": 0, "width": width, "height": tall}
    with Image.open(io.BytesIO(shown.screenshot(clip=area))) as drawn:
        flat = drawn.convert("RGB").quantize(COLOURS, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    flat.save(path, optimize=True)


def main() -> None:
    """Draws, and records from which document each picture was drawn."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--all", action="store_true", help="those of today's reports too")
    parser.add_argument("--into", type=Path, default=KEPT, metavar="FOLDER")
    asked = parser.parse_args()
    asked.into.mkdir(parents=True, exist_ok=True)
    record: dict[str, str] = json.loads(RECORD.read_text("utf-8")) if RECORD.is_file() else {}
    wanted = {name: pictured.fingerprint(name) for name in pictured.REPORTS}
    if not asked.all and asked.into == KEPT:
        wanted = {
            name: now
            for name, now in wanted.items()
            if any(record.get(file) != now or not (KEPT / file).is_file() for file in pictures(name))
        }
    with _browser() as browser:
        for name in wanted:
            _draw(browser, name, asked.into)
            print(f"drawn: {name}")
    if asked.into == KEPT:
        _record(record, wanted)


def _record(record: dict[str, str], drawn: dict[str, str]) -> None:
    """The list of what was drawn from what; a picture of no report any more goes."""
    expected = {file for name in pictured.REPORTS for file in pictures(name)}
    now = {**record, **{file: digest for name, digest in drawn.items() for file in pictures(name)}}
    kept = {file: digest for file, digest in sorted(now.items()) if file in expected}
    RECORD.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
    for path in KEPT.glob("*.png"):
        if path.name not in expected:
            path.unlink()


if __name__ == "__main__":
    main()
