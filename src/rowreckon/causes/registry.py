"""The causes in their order. Order is data; equal weights are told in this order."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

from rowreckon.capture import Capture
from rowreckon.causes import (
    column_target_too_low,
    computed_result_filter,
    correlated_columns_equality,
    correlated_columns_range,
    cross_table_correlation,
    expression_without_statistics,
    function_row_default,
    generic_plan,
    join_key_skew,
    join_partner_share,
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
from rowreckon.causes.finding import Candidate, JoinCandidate, ScanCandidate
from rowreckon.causes.site import Context, Site
from rowreckon.document.audit import Join, Missing
from rowreckon.frozen import frozen
from rowreckon.remedies.draft import Builder, Draft
from rowreckon.remedies.subject import Subject


@frozen
class Cause:
    """One root cause, told by its module; what the module does not define answers nothing."""

    code: str
    title: str
    page: str
    """What it finds, why it hurts, its evidence and remedy, in Markdown with fixed headings."""
    check: Callable[[Site, Context], Candidate | None]
    """Judges a node where an error enters."""
    check_join: Callable[[Join, Context], JoinCandidate | None]
    """Judges a join whose method suffers or that another way would serve."""
    check_scan: Callable[[int, Context], ScanCandidate | None]
    """Judges a scan that most of the time goes to."""
    remedy: Builder
    """The changes that answer it."""
    missing: Callable[[Subject], Missing | None]
    """What more would have to be known of the subject to act on it."""

    @property
    def curable(self) -> bool:
        """Whether it has a remedy that a tool should propose."""
        return self.remedy is not _no_change


def _nothing(*_: object) -> None:
    return None


def _no_change(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    return ()


def _cause(module: ModuleType) -> Cause:
    """The module's name is the cause's code, its doc string the page that users read."""
    return Cause(
        code=module.__name__.rpartition(".")[2],
        title=module.TITLE,
        page=module.__doc__ or "",
        check=getattr(module, "check", _nothing),
        check_join=getattr(module, "check_join", _nothing),
        check_scan=getattr(module, "check_scan", _nothing),
        remedy=getattr(module, "remedy", _no_change),
        missing=getattr(module, "missing", _nothing),
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
            computed_result_filter,
            correlated_columns_equality,
            correlated_columns_range,
            column_target_too_low,
            ndistinct_multi_column,
            ndistinct_wrong,
            multi_column_join_key,
            cross_table_correlation,
            join_partner_share,
            join_key_skew,
            missing_join_index,
            luring_index,
            unexplained,
        ),
    )
)
"""All causes, in the order in which they are asked."""

BY_CODE: dict[str, Cause] = {cause.code: cause for cause in CAUSES}

CODES: tuple[str, ...] = tuple(BY_CODE)


def title_of(code: str) -> str:
    """A cause's title; for a code of another release the code in words."""
    cause = BY_CODE.get(code)
    return cause.title if cause is not None else code.replace("_", " ")
