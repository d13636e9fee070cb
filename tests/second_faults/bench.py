"""All faults and traps, and the sample of them that every run takes, drawn by lot."""

from __future__ import annotations

import random
from typing import Final

from . import columns, distinct, indexes, joins, refreshing, statements
from .model import Fault
from .traps import TRAPS

FAULTS: Final = (
    *refreshing.FAULTS,
    *columns.FAULTS,
    *distinct.FAULTS,
    *statements.FAULTS,
    *joins.FAULTS,
    *indexes.FAULTS,
)

_LOT: Final = 13
_DRAWN: Final = 4

SAMPLE: Final[tuple[Fault, ...]] = tuple(random.Random(_LOT).sample(FAULTS, _DRAWN))
"""Drawn before the product was asked anything; it stays as it was drawn, whatever comes of it."""

__all__ = ["FAULTS", "SAMPLE", "TRAPS"]
