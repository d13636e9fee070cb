"""What an audit was compared with by `--baseline`, as part of the document."""

from __future__ import annotations

from rowreckon.document.base import MaybeText, Part
from rowreckon.document.join import JoinType, Verdict


class BaselineJoin(Part):
    """A join with a verdict that `--fail-on` names: its query, its tables, its type."""

    source: str
    tables: tuple[str, ...]
    join_type: JoinType
    verdict: Verdict


class Baseline(Part):
    """What was compared with, and what came of it.

    `written` is when the file was last changed (UTC). `plans` and `joins` are what the baseline holds; `found` of its
    plans are of queries of this audit. `new` are joins that have a verdict of `fail_on` now and had it not; `gone` are
    those of the same queries that had it and have it no more.
    """

    file: str
    written: MaybeText = None
    tool_version: str
    plans: int
    joins: int
    found: int
    fail_on: tuple[str, ...]
    new: tuple[BaselineJoin, ...] = ()
    gone: tuple[BaselineJoin, ...] = ()
