"""All faults and traps of this bench."""

from __future__ import annotations

from typing import Final

from . import columns, distinct, freshness, functions, indexes, joins, keys, parameters, privileges, unruled
from .cut_short_traps import TRAPS as CUT_SHORT
from .right_traps import TRAPS as RIGHT

FAULTS: Final = (
    *privileges.FAULTS,
    *freshness.FAULTS,
    *parameters.FAULTS,
    *functions.FAULTS,
    *columns.FAULTS,
    *distinct.FAULTS,
    *keys.FAULTS,
    *joins.FAULTS,
    *indexes.FAULTS,
    *unruled.FAULTS,
)
TRAPS: Final = (*CUT_SHORT, *RIGHT)

__all__ = ["FAULTS", "TRAPS"]
