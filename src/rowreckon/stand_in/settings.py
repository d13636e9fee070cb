"""Which settings of a source are put in force on its stand-in: those that the planner reads, and no others."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

_PLANNER: Final = frozenset(
    [
        "seq_page_cost",
        "random_page_cost",
        "cpu_tuple_cost",
        "cpu_index_tuple_cost",
        "cpu_operator_cost",
        "parallel_tuple_cost",
        "parallel_setup_cost",
        "work_mem",
        "hash_mem_multiplier",
        "effective_cache_size",
        "cursor_tuple_fraction",
        "from_collapse_limit",
        "join_collapse_limit",
        "geqo",
        "geqo_threshold",
        "geqo_effort",
        "geqo_pool_size",
        "geqo_generations",
        "geqo_selection_bias",
        "geqo_seed",
        "plan_cache_mode",
        "jit",
        "jit_above_cost",
        "jit_inline_above_cost",
        "jit_optimize_above_cost",
        "max_parallel_workers_per_gather",
        "min_parallel_table_scan_size",
        "min_parallel_index_scan_size",
        "parallel_leader_participation",
        "recursive_worktable_factor",
        "constraint_exclusion",
        "effective_io_concurrency",
        "temp_buffers",
    ]
)
_READING: Final = frozenset(
    [
        "TimeZone",
        "DateStyle",
        "IntervalStyle",
        "default_text_search_config",
        "array_nulls",
        "transform_null_equals",
        "bytea_output",
        "xmlbinary",
    ]
)
"""How constants of a query are read: the planner folds them."""
_LONGEST: Final = 200


def planning_settings(source: Mapping[str, str], plan: Mapping[str, str] | None) -> dict[str, str]:
    """The settings for a plan: what the plan printed, else its default; without any printed, the source's of today.

    `plan` is what EXPLAIN (SETTINGS) gave: every planner setting that it does not name has its built-in default.
    """
    if plan is None:
        chosen = {name: value for name, value in source.items() if is_planner_setting(name) or name in _READING}
    else:
        chosen = {name: value for name, value in source.items() if name in _READING}
        chosen |= {name: value for name, value in plan.items() if is_planner_setting(name)}
    return {name: value for name, value in chosen.items() if len(value) <= _LONGEST}


def is_planner_setting(name: str) -> bool:
    """Whether the planner reads it."""
    return name in _PLANNER or (name.startswith("enable_") and name.replace("_", "").isalpha() and name.isascii())
