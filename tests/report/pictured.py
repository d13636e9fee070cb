"""The reports whose pictures are looked at: those of the stored audits, and a comparison of two of them."""

from __future__ import annotations

import hashlib
from pathlib import Path

from rowreckon import __version__
from rowreckon.document.audit import Audit
from rowreckon.report.comparing.compare import Comparison, compare
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.html.compare_page import comparison_html

STORED = Path(__file__).parent / "audits"
COMPARISON = "comparison"
REPORTS = (*sorted(path.stem for path in STORED.glob("*.json")), COMPARISON)


def stored(name: str) -> Audit:
    """The audit that is kept under this name."""
    return Audit.model_validate_json((STORED / f"{name}.json").read_text("utf-8"))


def comparison() -> Comparison:
    """The several plans before, and with one cured, one slower and one missing."""
    before, changed = stored("several"), stored("one-crossed").plans[0].source
    slower = before.plans[1].source

    def after(source: str) -> tuple[float, ...]:
        return {changed: (31.0, 33.0, 32.0, 30.0), slower: (402.0, 398.0, 410.0, 405.0)}.get(source, _BEFORE)

    timed = [plan.model_copy(update={"runs_ms": _BEFORE}) for plan in before.plans]
    cured = [
        plan.model_copy(update={"runs_ms": after(plan.source), "joins": () if plan.source == changed else plan.joins})
        for plan in timed[:-1]
    ]
    return compare(before.model_copy(update={"plans": tuple(timed)}), before.model_copy(update={"plans": tuple(cured)}))


_BEFORE = (208.0, 211.0, 209.0, 215.0)  # ms


def page(name: str) -> str:
    """The whole HTML document, its styles included; the tool's version is a stand-in, as in the stored audits."""
    if name == COMPARISON:
        return comparison_html(comparison()).replace(f"rowreckon {__version__}", "rowreckon VERSION")
    return render_html(stored(name))


def fingerprint(name: str) -> str:
    """SHA-256 of the document."""
    return hashlib.sha256(page(name).encode("utf-8")).hexdigest()
