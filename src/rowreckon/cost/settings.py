"""The planner's settings as one frozen value, and how it is read from EXPLAIN or pg_settings.

Defaults are the built-in ones (documentation, 'Query Planning' and 'Resource Consumption'); read from pg_settings
on live servers of 13 to 18. EXPLAIN (SETTINGS) prints only what differs from them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import field, fields
from typing import Any

from rowreckon import releases
from rowreckon.cost.capabilities import counts_disabled_nodes, has_doubled_hash_mem
from rowreckon.cost.units import DISABLE_COST
from rowreckon.errors import BrokenPlan, UsageError
from rowreckon.frozen import frozen

_MEMORY_BYTES = {"B": 1, "kB": 1024, "MB": 1024**2, "GB": 1024**3, "TB": 1024**4, "8kB": 8192}
_IN_KILOBYTES = frozenset({"work_mem"})
_IN_PAGES = frozenset({"effective_cache_size", "min_parallel_table_scan_size", "min_parallel_index_scan_size"})
_VALUE = re.compile(r"\s*([-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?)\s*(8?[kMGT]?B)?\s*")
_TRUTH = {"on": True, "true": True, "yes": True, "1": True, "off": False, "false": False, "no": False, "0": False}


@frozen
class CostSettings:
    """Every setting that the cost model reads, with the release's default where none is given.

    Costs are planner cost, `work_mem` kB, cache and scan sizes pages of 8 kB. `hash_mem_multiplier` 0 stands for
    the release's own default (1.0 up to 14, 2.0 from 15). Page costs are those of the default tablespace; a
    relation in another one carries its own.
    """

    server_major: int = releases.NEWEST
    seq_page_cost: float = 1.0
    random_page_cost: float = 4.0
    cpu_tuple_cost: float = 0.01
    cpu_index_tuple_cost: float = 0.005
    cpu_operator_cost: float = 0.0025
    parallel_tuple_cost: float = 0.1
    parallel_setup_cost: float = 1000.0
    effective_cache_size: float = 524288.0
    work_mem: float = 4096.0
    hash_mem_multiplier: float = 0.0
    min_parallel_table_scan_size: float = 1024.0
    min_parallel_index_scan_size: float = 64.0
    max_parallel_workers_per_gather: int = 2
    parallel_leader_participation: bool = True
    enable_bitmapscan: bool = True
    enable_gathermerge: bool = True
    enable_hashagg: bool = True
    enable_hashjoin: bool = True
    enable_incremental_sort: bool = True
    enable_indexonlyscan: bool = True
    enable_indexscan: bool = True
    enable_material: bool = True
    enable_memoize: bool = True
    enable_mergejoin: bool = True
    enable_nestloop: bool = True
    enable_parallel_append: bool = True
    enable_parallel_hash: bool = True
    enable_seqscan: bool = True
    enable_sort: bool = True
    work_mem_bytes: float = field(init=False)
    hash_mem_bytes: float = field(init=False)
    disable_cost: float = field(init=False)
    disabled_node: int = field(init=False)

    def __post_init__(self) -> None:
        if self.server_major < releases.OLDEST:
            raise UsageError(
                f"the planner of PostgreSQL {self.server_major} is not modelled",
                hint=f"use a plan of release {releases.OLDEST} or later",
            )
        multiplier = self.hash_mem_multiplier or (2.0 if has_doubled_hash_mem(self.server_major) else 1.0)
        put = object.__setattr__
        put(self, "hash_mem_multiplier", multiplier)
        put(self, "work_mem_bytes", self.work_mem * 1024.0)
        # get_hash_memory_limit (executor/nodeHash.c): a whole number of bytes
        put(self, "hash_mem_bytes", float(int(self.work_mem * multiplier * 1024.0)))
        counted = counts_disabled_nodes(self.server_major)
        put(self, "disable_cost", 0.0 if counted else DISABLE_COST)
        put(self, "disabled_node", 1 if counted else 0)

    @classmethod
    def from_explain(cls, settings: Mapping[str, str] | None, server_version: int) -> CostSettings:
        """The settings behind a plan, from EXPLAIN's `Settings` object (values as text with unit, "64kB").

        `server_version` is a major (16) or the number that `server_version_num` shows (160014). None stands for
        'unknown' and is read as all defaults; the caller knows the difference. Other settings are passed
        over. Raises BrokenPlan where a value can't be read.
        """
        values = {name: _read(name, text, None) for name, text in (settings or {}).items() if name in _TYPES}
        return cls(server_major=major_of(server_version), **values)

    @classmethod
    def from_pg_settings(
        cls, rows: Iterable[tuple[str, str, str | None]], server_version: int | None = None
    ) -> CostSettings:
        """The settings of a session, from rows of pg_settings: name, setting, unit.

        The version is taken from the row `server_version_num` unless it is given. Raises BrokenPlan where a value
        can't be read, UsageError where no version is known.
        """
        values: dict[str, Any] = {}
        version = server_version
        for name, setting, unit in rows:
            if name == "server_version_num" and version is None:
                version = int(setting)
            elif name in _TYPES:
                values[name] = _read(name, setting, unit)
        if version is None:
            raise UsageError(
                "the settings don't say which release they belong to", hint="include the row server_version_num"
            )
        return cls(server_major=major_of(version), **values)


_TYPES: dict[str, str] = {f.name: str(f.type) for f in fields(CostSettings) if f.init and f.name != "server_major"}


def major_of(server_version: int) -> int:
    """The major version behind `server_version_num` (160014 gives 16); a major stays as it is."""
    return server_version // 10000 if server_version >= 10000 else server_version


def _read(name: str, text: str, unit: str | None) -> Any:
    """One setting's value, in the unit of its field."""
    kind = _TYPES[name]
    if kind == "bool":
        truth = _TRUTH.get(text.strip().lower())
        if truth is None:
            raise _unreadable(name, text)
        return truth
    match = _VALUE.fullmatch(text)
    if match is None:
        raise _unreadable(name, text)
    try:
        number = float(match[1])
    except ValueError:
        raise _unreadable(name, text) from None
    given = match[2] or unit
    if name in _IN_KILOBYTES or name in _IN_PAGES:
        base = 1024 if name in _IN_KILOBYTES else 8192
        if given:
            number = number * _MEMORY_BYTES[given] / base
    return int(number) if kind == "int" else number


def _unreadable(name: str, text: str) -> BrokenPlan:
    return BrokenPlan(f"the setting {name} has the value {text!r}, which can't be read", where="Settings")
