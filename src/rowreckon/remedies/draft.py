"""A remedy before it is ranked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import field
from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.document.audit import RemedyKind
from rowreckon.frozen import frozen
from rowreckon.remedies.subject import FunctionName, Subject, TableName

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation

CERTAIN = 150 / 151
"""The planner takes the very figure that is declared, by its own sources: very strong evidence, in odds of 150 to 1
(the grades stand in `causes/finding.py`)."""
SAMPLED = 20 / 21
"""The planner takes what ANALYZE then counts in its sample, which holds what was missing: strong evidence."""
OPEN = 3 / 4
"""It helps if something holds that neither the plan nor the catalog tells: positive evidence."""

INVASIVENESS: dict[RemedyKind, int] = {
    "refresh_statistics": 0,
    "more_statistics": 1,
    "distinct_count": 1,
    "function_rows": 2,
    "foreign_key": 2,
    "query_rewrite": 2,
    "statement_setting": 2,
    "other": 2,
    "expression_index": 3,
    "new_index": 3,
    "drop_index": 4,
}
"""Between equals the less invasive remedy comes first."""


@frozen
class Draft:
    """A change to try. `works` is the chance that it mends the estimate if its cause is right (of an index: that the
    planner takes it), whatever time that brings; names in `tables` are raw.

    `counts` is what it counts in the ranking beside that: little for what mends no estimate and others may pay for.
    `keys` are a new index's key columns where it covers the whole table, so that an index with more can replace it.
    `title` is for what its kind does not name, `function` the one that it alters.
    """

    kind: RemedyKind
    sql: tuple[str, ...]
    reason: str
    works: float
    counts: float = 1.0
    transactional: bool = True
    sql_trial: tuple[str, ...] = ()
    undo: tuple[str, ...] | None = None
    undo_note: str | None = None
    check_first: str | None = None
    lock: str | None = None
    tables: tuple[TableName, ...] = ()
    columns: tuple[str, ...] = ()
    index: str | None = None
    function: FunctionName | None = None
    title: str | None = None
    keys: tuple[str, ...] = ()
    cautions: tuple[str, ...] = field(default=())


Builder = Callable[[Subject, Capture], tuple[Draft, ...]]
"""What answers a cause: the changes to try on its subject, the best first; none where it cannot name one."""

SHARE_UPDATE_EXCLUSIVE = "SHARE UPDATE EXCLUSIVE"
"""Blocks other ANALYZE, VACUUM and schema changes, neither reads nor writes."""


def major(capture: Capture) -> int | None:
    """The server's major release, None where nothing tells it."""
    catalog = capture.catalog
    version = catalog.server_version if catalog is not None else capture.server_version
    if version is None:
        return None
    return version // 10000 if version >= 10000 else version


def is_kind(relation: Relation | None, *kinds: str) -> bool:
    """Whether the catalog knows the relation to be of one of these kinds."""
    return relation is not None and relation.kind in kinds


def targets(subject: Subject) -> tuple[TableName, ...]:
    """The tables that statistics must be changed on: each partition that was read, or the table itself."""
    if subject.partitions:
        return subject.partitions
    return (subject.table,) if subject.table is not None and subject.table.name else ()
