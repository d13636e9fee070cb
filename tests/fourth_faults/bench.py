"""All faults and traps of this bench."""

from __future__ import annotations

from typing import Final

from . import columns, filters, groups, matches, paths, runtime, unseen
from .traps import TRAPS

FAULTS: Final = (
    *unseen.FAULTS,
    *filters.FAULTS,
    *columns.FAULTS,
    *groups.FAULTS,
    *matches.FAULTS,
    *runtime.FAULTS,
    *paths.FAULTS,
)

__all__ = ["FAULTS", "TRAPS"]
