"""Which remedy answers which cause: one table."""

from __future__ import annotations

from rowreckon.remedies.declarations import build_custom_plan, build_foreign_key, build_function_rows
from rowreckon.remedies.draft import Builder
from rowreckon.remedies.indexes import build_drop, build_index
from rowreckon.remedies.refresh import build_parent_refresh, build_refresh
from rowreckon.remedies.statistics import (
    build_expression,
    build_join_target,
    build_n_distinct,
    build_objects,
    build_target,
)

BUILDERS: dict[str, Builder] = {
    "never_analyzed": build_refresh,
    "stale_statistics": build_refresh,
    "partition_parent_not_analyzed": build_parent_refresh,
    "column_target_too_low": build_target,
    "correlated_columns_equality": build_objects,
    "correlated_columns_range": build_objects,
    "ndistinct_multi_column": build_objects,
    "ndistinct_wrong": build_n_distinct,
    "expression_without_statistics": build_expression,
    "join_key_skew": build_join_target,
    "multi_column_join_key": build_foreign_key,
    "function_row_default": build_function_rows,
    "generic_plan": build_custom_plan,
    "missing_join_index": build_index,
    "luring_index": build_drop,
}
"""Causes without an entry (`statistics_not_usable`, `unexplained`) have no remedy that a tool should propose."""
