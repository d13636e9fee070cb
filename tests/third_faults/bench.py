"""All faults and traps of this bench."""

from __future__ import annotations

from typing import Final

from . import access, columns, combined, crossing, freshness, lookups, planned
from .traps import TRAPS

FAULTS: Final = (
    *access.FAULTS,
    *freshness.FAULTS,
    *planned.FAULTS,
    *columns.FAULTS,
    *combined.FAULTS,
    *crossing.FAULTS,
    *lookups.FAULTS,
)

__all__ = ["FAULTS", "TRAPS"]
