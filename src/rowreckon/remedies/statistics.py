"""More statistics: longer lists, statistics objects."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rowreckon.remedies import checks
from rowreckon.remedies.draft import OPEN, SAMPLED, SHARE_UPDATE_EXCLUSIVE, Draft, targets
from rowreckon.remedies.quoting import fitting_name, name_of_expression, quote_table
from rowreckon.remedies.refresh import NOT_OWNER, analyze_statements
from rowreckon.remedies.subject import Subject, TableName
from rowreckon.sql.keywords import quote_name

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.catalog.facts import Relation

_STEPS = (100, 200, 500, 1000, 2000, 5000, 10000)
_LONGER = "a longer list costs planning time and a larger sample (300 rows for each step of the target)"
_EACH = "each partition has statistics of its own: a new partition needs them as well"
MOST_COLUMNS = 8
"""Members that a statistics object may have: STATS_MAX_DIMENSIONS in statistics/statistics.h."""


def needed_target(fraction: float | None, at_least: int = 100) -> int:
    """The target whose list must hold a value that makes up `fraction` of the rows.

    At most 1 / fraction values can be as frequent, so a list of that length holds it; 10,000 is the largest target.
    """
    wanted = at_least if not fraction else max(at_least, math.ceil(1 / fraction))
    return next((step for step in _STEPS if step >= wanted), _STEPS[-1])


def longer_list(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """A higher statistics target for the columns, and ANALYZE."""
    tables = targets(subject)
    if not tables or not subject.columns:
        return ()
    old = {c: _old_target(subject.relation, c) for c in subject.columns}
    now = max((t for t in old.values() if t is not None), default=None)
    target = needed_target(subject.fraction, at_least=_next_step(now if now is not None else 100))
    sql: list[str] = []
    undo: list[str] = []
    for table in tables:
        for column in subject.columns:
            place = f"ALTER TABLE {quote_table(table)} ALTER COLUMN {quote_name(column)} SET STATISTICS"
            sql.append(f"{place} {target}")
            undo.append(f"{place} {old[column] if old[column] is not None else -1}")
    known = subject.relation is not None and capture.catalog is not None
    named = ", ".join(subject.columns)
    return (
        Draft(
            kind="more_statistics",
            sql=(*sql, *analyze_statements(tables)),
            undo=(*undo, *analyze_statements(tables)),
            undo_note=None
            if known
            else "-1 is the server's default; a target set before is shown by the query to run first",
            reason=f"Divide the values of {named} on {tables[0]} into up to {target} parts, so that the ends of the "
            "range are found more closely."
            if subject.ranged
            else f"Keep up to {target} common values of {named} on {tables[0]}, so that the value asked for is among "
            "them.",
            works=SAMPLED if subject.fraction else OPEN,
            check_first=None if known else checks.column_settings(tables, subject.columns),
            lock=SHARE_UPDATE_EXCLUSIVE,
            tables=tables,
            columns=subject.columns,
            cautions=(_LONGER, NOT_OWNER),
        ),
    )


def together(
    subject: Subject, capture: Capture, kinds: tuple[str, ...], *, at_least: int = 100, works: float = SAMPLED
) -> tuple[Draft, ...]:
    """A statistics object for columns that go together, with a longer list where the combination is rare.

    `at_least` is the least target of a list of combinations, `works` the chance that it mends the estimate.
    """
    tables = targets(subject)
    columns = subject.columns[:MOST_COLUMNS]
    if not tables or len(columns) < 2:
        return ()
    target = max(needed_target(subject.fraction), at_least) if "mcv" in kinds else 100
    what = {
        "dependencies": "one decides the other",
        "mcv": "which combinations are common",
        "ndistinct": "how many combinations there are",
    }
    told = " and ".join(what[k] for k in kinds)
    return (
        statistics_object(
            subject,
            capture,
            tables=tables,
            members=tuple(quote_name(c) for c in columns),
            columns=columns,
            kinds=kinds,
            target=target,
            reason=f"Let the planner learn of {', '.join(columns)} on {tables[0]} together: {told}.",
            works=works,
        ),
    )


def statistics_object(
    subject: Subject,
    capture: Capture,
    *,
    tables: tuple[TableName, ...],
    members: tuple[str, ...],
    columns: tuple[str, ...],
    kinds: tuple[str, ...],
    target: int,
    reason: str,
    works: float,
) -> Draft:
    """CREATE STATISTICS of `members`, which are SQL for `columns`, on each table, and ANALYZE.

    `kinds` are those to name, none for an expression's; `target` is the length that its list of values needs.
    """
    sql: list[str] = []
    undo: list[str] = []
    listed = f" ({', '.join(kinds)})" if kinds else ""
    expressions = subject.expressions
    named_by = tuple(name_of_expression(c) if c in expressions else c for c in columns)
    for table in tables:
        name = quote_table(TableName(_free_name(subject.relation, table, named_by, kinds), table.schema))
        sql.append(f"CREATE STATISTICS {name}{listed} ON {', '.join(members)} FROM {quote_table(table)}")
        if target > 100 and "ndistinct" not in kinds:
            sql.append(f"ALTER STATISTICS {name} SET STATISTICS {target}")
        undo.append(f"DROP STATISTICS {name}")
    known = subject.relation is not None and capture.catalog is not None
    cautions = ["it has no effect before the ANALYZE that follows it", NOT_OWNER]
    if target > 100:
        cautions.append(_LONGER)
    if len(tables) > 1:
        cautions.append(_EACH)
    return Draft(
        kind="more_statistics",
        sql=(*sql, *analyze_statements(tables)),
        undo=tuple(undo),
        undo_note="the fresh column statistics that its ANALYZE wrote remain",
        reason=reason,
        works=works,
        check_first=None if known else checks.statistics_objects(tables),
        lock=SHARE_UPDATE_EXCLUSIVE,
        tables=tables,
        columns=columns,
        cautions=tuple(cautions),
    )


def _free_name(relation: Relation | None, table: TableName, columns: tuple[str, ...], kinds: tuple[str, ...]) -> str:
    kind = "ndistinct" if kinds == ("ndistinct",) else "stats"
    taken = {s.name for s in relation.extended_statistics} if relation is not None else set()
    name = fitting_name(table.name, *columns, kind)
    number = 2
    while name in taken:
        name = fitting_name(table.name, *columns, f"{kind}{number}")
        number += 1
    return name


def _old_target(relation: Relation | None, column: str) -> int | None:
    found = relation.column(column) if relation is not None else None
    return found.statistics_target if found is not None else None


def _next_step(now: int) -> int:
    return next((step for step in _STEPS if step > now), _STEPS[-1])
