"""The settings that a plan was made under, on the best evidence at hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon import releases
from rowreckon.cost import CostSettings
from rowreckon.errors import BrokenPlan
from rowreckon.joins.facts.missing_evidence import SETTINGS, VERSION

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.document.audit import Missing
    from rowreckon.plan.tree import PlanTree

_FIRST_WITH_DISABLED = 18


def settings_of(capture: Capture, tree: PlanTree) -> tuple[CostSettings, list[Missing]]:
    """The planner's settings, and what of them had to be taken as the release's default.

    EXPLAIN (SETTINGS) lists all that differ from the defaults, so it decides where it is there; else the catalog's
    settings stand in, which a later session read.
    """
    missing: list[Missing] = []
    catalog = capture.catalog
    version = capture.server_version or (catalog.server_version if catalog else None)
    if version is None:
        version = guess_major(tree)
        missing.append(VERSION)
    major = version // 10000 if version >= 10000 else version
    major = min(max(major, releases.OLDEST), releases.NEWEST)
    listed = capture.settings
    if listed is None and capture.explain is not None:
        listed = capture.explain.settings
    try:
        if listed is not None:
            return CostSettings.from_explain(listed, major), missing
        if catalog is not None and catalog.settings:
            rows = [(s.name, _text(s.value), s.unit) for s in catalog.settings if s.value is not None]
            return CostSettings.from_pg_settings(rows, major), missing
    except BrokenPlan:
        pass
    missing.append(SETTINGS)
    return CostSettings(server_major=major), missing


def guess_major(tree: PlanTree) -> int:
    """The release by the keys that it alone prints: 18 marks disabled nodes; else the middle of the rest."""
    if any(node.disabled is not None for node in tree.nodes):
        return _FIRST_WITH_DISABLED
    return 16


def _text(value: bool | float | str | None) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    return f"{value:g}" if isinstance(value, float) and abs(value) < 1e5 else str(value)
