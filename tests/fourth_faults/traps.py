"""The traps of this bench."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Trap

from .helpless_traps import HELPLESS_TRAPS
from .printed_traps import PRINTED_TRAPS

TRAPS: Final[tuple[Trap, ...]] = (*PRINTED_TRAPS, *HELPLESS_TRAPS)
