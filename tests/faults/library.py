"""All seeded faults and traps."""

from __future__ import annotations

from .column_faults import COLUMN_FAULTS
from .fault import Fault
from .join_faults import JOIN_FAULTS
from .published_faults import PUBLISHED_FAULTS
from .result_faults import RESULT_FAULTS
from .statistics_faults import STATISTICS_FAULTS
from .traps import TRAPS

FAULTS: tuple[Fault, ...] = (*STATISTICS_FAULTS, *COLUMN_FAULTS, *JOIN_FAULTS, *RESULT_FAULTS)
LIBRARY: tuple[Fault, ...] = (*FAULTS, *TRAPS)
EVERYTHING: tuple[Fault, ...] = (*FAULTS, *PUBLISHED_FAULTS, *TRAPS)
