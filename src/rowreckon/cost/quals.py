"""What evaluating a clause costs.

Source: cost_qual_eval_walker in optimizer/path/costsize.c, releases 13 to 18. A clause is the sum of its operator
and function calls; AND, OR and NOT are free. `procost` is pg_proc's: 1 for most built-in functions, 100 for
functions in SQL and procedural languages by default.
"""

from __future__ import annotations

from rowreckon.cost.capabilities import hashes_constant_arrays
from rowreckon.cost.path import QualCost
from rowreckon.cost.settings import CostSettings

_LEAST_HASHED_ARRAY = 9


def operator_cost(settings: CostSettings, calls: float = 1.0, procost: float = 1.0) -> QualCost:
    """So many calls of operators or functions of that `procost` per row."""
    return QualCost(0.0, calls * procost * settings.cpu_operator_cost)


def array_cost(
    settings: CostSettings,
    length: float,
    *,
    hashable: bool = True,
    constant: bool = True,
    procost: float = 1.0,
    hash_procost: float = 1.0,
) -> QualCost:
    """`column = ANY (array)` as a filter, for an array of that length.

    Half the array is compared on average; from 14 a constant array of nine elements or more is hashed first where
    the operator can be.
    """
    operator = settings.cpu_operator_cost
    if hashable and constant and length >= _LEAST_HASHED_ARRAY and hashes_constant_arrays(settings.server_major):
        return QualCost(length * hash_procost * operator, (hash_procost + procost) * operator)
    return QualCost(0.0, procost * operator * length * 0.5)
