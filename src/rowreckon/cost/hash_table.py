"""How large a hash join's table is planned: buckets, batches, and the share kept for frequent values.

Source: ExecChooseHashTableSize in executor/nodeHash.c and executor/hashjoin.h, releases 13 to 18.
"""

from __future__ import annotations

from math import ceil
from typing import NamedTuple

from rowreckon.cost.capabilities import rebalances_hash_batches
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.units import BLCKSZ

_TUPLE_OVERHEAD_BYTES = 32
_POINTER_BYTES = 8
_SKEW_BUCKET_BYTES = 64 + 4 + 16
_SKEW_HASH_MEM_PERCENT = 2
_MAX_ALLOC_BYTES = 0x3FFFFFFF
_INT_MAX = 0x7FFFFFFF


class HashTableSize(NamedTuple):
    """Buckets and batches, both powers of two."""

    num_buckets: int
    num_batches: int


def hash_table_size(
    settings: CostSettings, rows: float, width: int, *, combined_workers: int | None = None
) -> HashTableSize:
    """The table planned for `rows` inner rows (of all processes) of that width (bytes).

    `combined_workers` is the number of workers of a parallel hash, which first tries the memory of all processes
    together; None for a hash table of its own per process.
    """
    if rows <= 0.0:
        rows = 1000.0
    tuple_bytes = _TUPLE_OVERHEAD_BYTES + ((width + 7) & ~7)
    inner_bytes = rows * tuple_bytes
    memory = int(settings.hash_mem_bytes)
    if combined_workers is not None:
        memory *= combined_workers + 1
    allowed = memory
    mcv_bytes = tuple_bytes + _SKEW_BUCKET_BYTES
    skew_mcvs = min((memory // mcv_bytes) * _SKEW_HASH_MEM_PERCENT // 100, _INT_MAX)
    memory -= skew_mcvs * mcv_bytes
    max_pointers = min(memory, _MAX_ALLOC_BYTES) // _POINTER_BYTES
    max_pointers = 1 << (max_pointers.bit_length() - 1)
    buckets = _next_power_of_2(max(int(min(ceil(rows), max_pointers)), 1024))
    batches = 1
    if inner_bytes + buckets * _POINTER_BYTES > memory:
        if combined_workers is not None:
            return hash_table_size(settings, rows, width)
        bucket_bytes = tuple_bytes + _POINTER_BYTES
        wanted = 1 if memory <= bucket_bytes else _next_power_of_2(memory // bucket_bytes)
        buckets = _next_power_of_2(min(wanted, max_pointers))
        needed = min(ceil(inner_bytes / (memory - buckets * _POINTER_BYTES)), max_pointers)
        batches = _next_power_of_2(max(2, needed))
    if rebalances_hash_batches(settings.server_major):
        while batches > 1 and buckets <= _MAX_ALLOC_BYTES // _POINTER_BYTES // 2 and batches >= allowed // BLCKSZ:
            batches //= 2
            buckets *= 2
            allowed *= 2
    return HashTableSize(buckets, batches)


def most_rows_in_one_batch(settings: CostSettings, width: int, *, combined_workers: int | None = None) -> float:
    """The most inner rows (of all processes) of that width (bytes) whose table is planned without further batches.

    The first batch more is what costs: all rows of both sides are then written and read again.
    """
    tuple_bytes = _TUPLE_OVERHEAD_BYTES + ((width + 7) & ~7)
    memory = int(settings.hash_mem_bytes) * (1 if combined_workers is None else combined_workers + 1)
    memory -= min((memory // (tuple_bytes + _SKEW_BUCKET_BYTES)) * _SKEW_HASH_MEM_PERCENT // 100, _INT_MAX) * (
        tuple_bytes + _SKEW_BUCKET_BYTES
    )
    largest = 1 << ((min(memory, _MAX_ALLOC_BYTES) // _POINTER_BYTES).bit_length() - 1)
    buckets, most = 1024, 1.0
    while True:
        fitting = (memory - buckets * _POINTER_BYTES) // tuple_bytes
        if fitting < 1:
            return most
        if buckets >= largest:
            return float(fitting)
        most = max(most, float(min(fitting, buckets)))
        if fitting <= buckets:
            return most
        buckets *= 2


def _next_power_of_2(number: int) -> int:
    return 1 if number <= 1 else 1 << (number - 1).bit_length()
