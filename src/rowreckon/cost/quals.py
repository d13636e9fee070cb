"""What evaluating a clause costs.

Source: cost_qual_eval_walker in optimizer/path/costsize.c, releases 13 to 18. A clause is the sum of its operator
and function calls; AND, OR and NOT are free. `procost` is pg_proc's: 1 for most built-in functions, 100 for
functions in SQL and procedural languages by default.
"""

from __future__ import annotations

from rowreckon.cost.path import QualCost
from rowreckon.cost.settings import CostSettings


def operator_cost(settings: CostSettings, calls: float = 1.0, procost: float = 1.0) -> QualCost:
    """The cost of `calls` operators or functions of this `procost` for each row."""
    return QualCost(0.0, calls * procost * settings.cpu_operator_cost)
