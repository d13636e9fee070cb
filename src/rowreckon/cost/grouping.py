"""Grouping: over rows that come in order, by a hash table that may spill, and the removal of repeated rows.

Source: cost_agg and cost_group in optimizer/path/costsize.c, create_upper_unique_path in optimizer/util/pathnode.c,
hash_agg_entry_size, hash_agg_set_limits and hash_choose_num_partitions in executor/nodeAgg.c; releases 13 to 18.
"""

from __future__ import annotations

from math import ceil, log, log2

from rowreckon.cost.capabilities import has_bump_allocated_groups
from rowreckon.cost.path import PathCost
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.units import BLCKSZ, relation_byte_size
from rowreckon.frozen import frozen

_TUPLE_HEADER = 16
_STATE_BYTES = 16
_CHUNK_HEADER = 16
_MOST_PARTITIONS, _LEAST_PARTITIONS = 1024, 4
_PARTITION_FACTOR = 1.5


@frozen
class Grouping:
    """What is done with rows that are grouped: `columns` to group by, `calls` aggregates, and `per_row` what those cost
    with each row. Their states are taken to be values of fixed length."""

    columns: int
    calls: int = 0
    per_row: float = 0.0

    def row_cost(self, settings: CostSettings) -> float:
        """Planner cost of each row: its columns are compared or hashed, its aggregates advanced."""
        return self.per_row + settings.cpu_operator_cost * self.columns


def group_in_order(settings: CostSettings, path: PathCost, grouping: Grouping, groups: float) -> PathCost:
    """Groups of rows that come in order, each put out as soon as it ends."""
    total = path.total_cost + grouping.row_cost(settings) * path.rows + settings.cpu_tuple_cost * groups
    return path._replace(total_cost=total, rows=groups)


def group_by_hashing(settings: CostSettings, path: PathCost, grouping: Grouping, groups: float) -> PathCost:
    """Groups found by a hash table, which starts when all rows have come; rows that do not fit are written out."""
    startup = path.total_cost + grouping.row_cost(settings) * path.rows
    written, read, again = _spilled(settings, path, grouping, groups)
    startup += written + again
    total = startup + read + settings.cpu_tuple_cost * groups
    disabled = path.disabled_nodes
    if not settings.enable_hashagg:
        startup, total = startup + settings.disable_cost, total + settings.disable_cost
        disabled += settings.disabled_node
    return path._replace(startup_cost=startup, total_cost=total, rows=groups, disabled_nodes=disabled)


def _spilled(settings: CostSettings, path: PathCost, grouping: Grouping, groups: float) -> tuple[float, float, float]:
    """What writing, reading and handling of the rows cost that do not fit into memory."""
    entry = _entry_bytes(settings, grouping, path.width)
    memory = settings.hash_mem_bytes
    if groups * entry <= memory:
        return 0.0, 0.0, 0.0
    partitions = _partitions(memory, groups * entry)
    buffers = BLCKSZ * (1.0 + partitions)
    kept = memory - buffers if memory > 4.0 * buffers else memory * 0.75
    batches = max(ceil(max(groups * entry / kept, groups / max(kept // entry, 1.0))), 1.0)
    depth = ceil(log(batches) / log(partitions))
    pages = 2.0 * depth * relation_byte_size(path.rows, path.width) / BLCKSZ
    again = depth * path.rows * 2.0 * settings.cpu_tuple_cost
    return pages * settings.random_page_cost, pages * settings.seq_page_cost, again


def _entry_bytes(settings: CostSettings, grouping: Grouping, width: int) -> float:
    states = grouping.calls * _STATE_BYTES
    if has_bump_allocated_groups(settings.server_major):
        return float(16 + ((_TUPLE_HEADER + width + 7) & ~7) + states)
    return float(24 + sum(_CHUNK_HEADER + size for size in (_TUPLE_HEADER + width, states) if size > 0))


def _partitions(memory: float, wanted: float) -> float:
    most = (memory * 0.25 - BLCKSZ) / BLCKSZ
    number = min(1.0 + _PARTITION_FACTOR * wanted / memory, most)
    number = min(max(int(number), _LEAST_PARTITIONS), _MOST_PARTITIONS)
    return float(2 ** ceil(log2(number)))
