"""Parallel Append against a plan that PostgreSQL 18.6 printed, and whole inputs as append_nonpartial_cost shares them.

The plan: partitions scanned by two workers, as in `tests/joins/test_parallel_append.py`, "union" in the session "two".
Source of the rest: cost_append and append_nonpartial_cost in optimizer/path/costsize.c.
"""

from __future__ import annotations

import pytest

from rowreckon.cost import CostSettings, PathCost, cost_parallel_append

SETTINGS = CostSettings(server_major=18)


def _path(startup: float, total: float, rows: float) -> PathCost:
    return PathCost(startup, total, rows, 4, startup, total)


def test_shared_inputs_as_printed() -> None:
    """`Parallel Append  (cost=0.29..572.92 rows=4502 width=4)`; an input's rows are those of its own workers."""
    inputs = [
        (_path(57.49, 357.49, 2000), 2),
        (_path(0.29, 8.30, 1), 1),
        (_path(0.0, 175.50, 2250), 2),
        (_path(0.0, 9.12, 250), 2),
        (_path(0.0, 0.0, 1), 2),
    ]
    found = cost_parallel_append(SETTINGS, [], inputs, 2, 4)

    assert (found.startup_cost, found.rows) == (0.29, 4502)
    assert found.total_cost == pytest.approx(572.92, abs=0.01)


@pytest.mark.parametrize(("workers", "busiest"), [(1, 22.0), (2, 12.0), (3, 10.0), (4, 10.0)])
def test_whole_inputs_go_to_whoever_is_free(workers: int, busiest: float) -> None:
    """Inputs of 10, 7 and 5, each one process's alone: the cost is that of the process with the most to do."""
    whole = [_path(0.0, total, 240.0) for total in (5.0, 10.0, 7.0)]
    found = cost_parallel_append(SETTINGS, whole, [], workers)
    divisor = {1: 1.7, 2: 2.4, 3: 3.1, 4: 4.0}[workers]

    assert found.rows == round(3 * 240.0 / divisor)
    assert found.total_cost == pytest.approx(busiest + 0.5 * SETTINGS.cpu_tuple_cost * found.rows)
