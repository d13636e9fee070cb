"""The causes in their order: code, title, module. Order is data; equal weights are told in this order."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

from rowreckon.causes import (
    column_target_too_low,
    correlated_columns_equality,
    correlated_columns_range,
    expression_without_statistics,
    function_row_default,
    generic_plan,
    join_key_skew,
    luring_index,
    missing_join_index,
    multi_column_join_key,
    ndistinct_multi_column,
    ndistinct_wrong,
    never_analyzed,
    partition_parent_not_analyzed,
    stale_statistics,
    statistics_not_usable,
    unexplained,
)
from rowreckon.causes.finding import Candidate
from rowreckon.causes.site import Context, Site
from rowreckon.frozen import frozen

SiteCheck = Callable[[Site, Context], Candidate | None]


@frozen
class Cause:
    """One root cause; its module's doc tells it whole. `check` judges a site, None for causes told of a join."""

    code: str
    title: str
    module: ModuleType
    check: SiteCheck | None = None

    @property
    def doc(self) -> str:
        """What the cause is, in Markdown with fixed headings."""
        return self.module.__doc__ or ""


CAUSES: tuple[Cause, ...] = (
    Cause(
        "statistics_not_usable", "statistics hidden from this role", statistics_not_usable, statistics_not_usable.check
    ),
    Cause("never_analyzed", "never analyzed", never_analyzed, never_analyzed.check),
    Cause(
        "partition_parent_not_analyzed",
        "partitioned table not analyzed as a whole",
        partition_parent_not_analyzed,
        partition_parent_not_analyzed.check,
    ),
    Cause("stale_statistics", "old statistics", stale_statistics, stale_statistics.check),
    Cause("generic_plan", "generic plan", generic_plan, generic_plan.check),
    Cause("function_row_default", "a function's default row count", function_row_default, function_row_default.check),
    Cause(
        "expression_without_statistics",
        "an expression without statistics",
        expression_without_statistics,
        expression_without_statistics.check,
    ),
    Cause(
        "correlated_columns_equality",
        "columns that go together",
        correlated_columns_equality,
        correlated_columns_equality.check,
    ),
    Cause(
        "correlated_columns_range", "ranges that go together", correlated_columns_range, correlated_columns_range.check
    ),
    Cause(
        "column_target_too_low", "a list of common values too short", column_target_too_low, column_target_too_low.check
    ),
    Cause(
        "ndistinct_multi_column",
        "combinations of grouped columns",
        ndistinct_multi_column,
        ndistinct_multi_column.check,
    ),
    Cause("ndistinct_wrong", "wrong number of distinct values", ndistinct_wrong, ndistinct_wrong.check),
    Cause("multi_column_join_key", "a join key of several columns", multi_column_join_key, multi_column_join_key.check),
    Cause("join_key_skew", "uneven join keys", join_key_skew, join_key_skew.check),
    Cause("missing_join_index", "no index that serves the inner side", missing_join_index),
    Cause("luring_index", "an index that lures into nested loops", luring_index),
    Cause("unexplained", "unexplained", unexplained),
)
"""All causes, in the order in which they are asked."""

CODES: tuple[str, ...] = tuple(cause.code for cause in CAUSES)
