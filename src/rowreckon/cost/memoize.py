"""Memoize: keep a parameterised inner side's rows per parameter value (14 and later).

Source: create_memoize_path in optimizer/util/pathnode.c, cost_memoize_rescan in optimizer/path/costsize.c,
ExecEstimateCacheEntryOverheadBytes in executor/nodeMemoize.c; releases 14 to 18.
"""

from __future__ import annotations

from math import floor

from rowreckon.cost.capabilities import counts_memoize_key_width, has_memoize_hit_by_calls
from rowreckon.cost.path import PathCost
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.units import clamp_row_est, relation_byte_size

_ENTRY_OVERHEAD_BYTES = 48.0
_TUPLE_OVERHEAD_BYTES = 16.0


def _hit_and_evict_ratio(
    settings: CostSettings, subpath: PathCost, calls: float, ndistinct: float, key_width: int
) -> tuple[float, float]:
    """The share of the calls that the cache is expected to answer, and the share of its entries that it loses."""
    entry_bytes = (
        relation_byte_size(subpath.rows, subpath.width) + _ENTRY_OVERHEAD_BYTES + _TUPLE_OVERHEAD_BYTES * subpath.rows
    )
    if counts_memoize_key_width(settings.server_major):
        entry_bytes += key_width
    entries = float(floor(settings.hash_mem_bytes / entry_bytes))
    held = min(entries, ndistinct)
    if has_memoize_hit_by_calls(settings.server_major):
        hits = ((calls - ndistinct) / calls) * (entries / max(ndistinct, entries))
    else:
        hits = max(1.0 / ndistinct * held - ndistinct / calls, 0.0)
    return hits, 1.0 - held / ndistinct


def cost_memoize(
    settings: CostSettings, subpath: PathCost, *, calls: float, ndistinct: float, key_width: int = 0
) -> PathCost:
    """Memoize over the parameterised `subpath`, called `calls` times (the outer path's rows).

    The first scan costs a little more than `subpath`; the saving is in the rescans. `ndistinct` counts the different
    parameter values: estimate_num_groups of the key expressions over `calls` rows, or `calls` itself where it would
    rest on a default. `key_width` is the width of the key expressions in bytes (counted from 16).
    """
    calls = clamp_row_est(calls)
    hit_ratio, evict_ratio = _hit_and_evict_ratio(settings, subpath, calls, ndistinct, key_width)
    misses = 1.0 - hit_ratio
    tuple_cost, operator = settings.cpu_tuple_cost, settings.cpu_operator_cost
    again = subpath.total_cost * misses + operator
    again += tuple_cost * evict_ratio
    again += operator / 10.0 * evict_ratio * subpath.rows
    again += tuple_cost + operator * subpath.rows
    return PathCost(
        subpath.startup_cost + tuple_cost,
        subpath.total_cost + tuple_cost,
        subpath.rows,
        subpath.width,
        subpath.startup_cost * misses + tuple_cost,
        again,
        subpath.disabled_nodes,
        "Memoize",
    )
