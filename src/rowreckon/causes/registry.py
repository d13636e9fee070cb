"""The causes in their order. Order is data; equal weights are told in this order."""

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
    """One root cause, told by its module. `check` judges a site; None for causes told of a join."""

    code: str
    title: str
    page: str
    """What it finds, why it hurts, its evidence and remedy, in Markdown with fixed headings."""
    check: SiteCheck | None = None


def _cause(module: ModuleType) -> Cause:
    """The module's name is the cause's code, its doc string the page that users read."""
    return Cause(
        code=module.__name__.rpartition(".")[2],
        title=module.TITLE,
        page=module.__doc__ or "",
        check=getattr(module, "check", None),
    )


CAUSES: tuple[Cause, ...] = tuple(
    map(
        _cause,
        (
            statistics_not_usable,
            never_analyzed,
            partition_parent_not_analyzed,
            stale_statistics,
            generic_plan,
            function_row_default,
            expression_without_statistics,
            correlated_columns_equality,
            correlated_columns_range,
            column_target_too_low,
            ndistinct_multi_column,
            ndistinct_wrong,
            multi_column_join_key,
            join_key_skew,
            missing_join_index,
            luring_index,
            unexplained,
        ),
    )
)
"""All causes, in the order in which they are asked."""

CODES: tuple[str, ...] = tuple(cause.code for cause in CAUSES)


def title_of(code: str) -> str:
    """A cause's title; for a code of another release the code in words."""
    return next((cause.title for cause in CAUSES if cause.code == code), code.replace("_", " "))
