"""More statistics: longer lists, statistics objects, a number of distinct values set by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.causes import CauseFinding, TableName
from rowreckon.plural import counted
from rowreckon.remedies import checks
from rowreckon.remedies.draft import SHARE_UPDATE_EXCLUSIVE, Draft, catalog_of, major, targets
from rowreckon.remedies.quoting import fitting_name, name_of_expression, quote_name, quote_table
from rowreckon.remedies.readable import Unreadable, read_expressions, without_statements
from rowreckon.remedies.refresh import NOT_OWNER, analyze_statements

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.catalog.facts import Relation

_STEPS = (100, 200, 500, 1000, 2000, 5000, 10000)
_LONGER = "a longer list costs planning time and a larger sample (300 rows for each step of the target)"
_EXPRESSIONS_FROM = 14
_MOST_COLUMNS = 8  # STATS_MAX_DIMENSIONS


def needed_target(fraction: float | None, at_least: int = 100) -> int:
    """The target whose list must hold a value that makes up `fraction` of the rows.

    At most 1 / fraction values can be as frequent, so a list of that length holds it; 10,000 is the largest target.
    """
    wanted = at_least if not fraction else max(at_least, math.ceil(1 / fraction))
    return next((step for step in _STEPS if step >= wanted), _STEPS[-1])


def build_target(finding: CauseFinding, capture: Capture) -> tuple[Draft, ...]:
    """A higher statistics target for the columns, and ANALYZE."""
    subject = finding.subject
    tables = targets(finding)
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
    known = subject.relation is not None and catalog_of(capture) is not None
    named = ", ".join(subject.columns)
    return (
        Draft(
            kind="more_statistics",
            sql=(*sql, *analyze_statements(tables)),
            undo=(*undo, *analyze_statements(tables)),
            undo_note=None
            if known
            else "-1 is the server's default; a target set before is shown by the query to run first",
            reason=f"Keep up to {target} common values of {named} on {tables[0]}, so that the value asked for is among "
            "them.",
            works=0.85,
            check_first=None if known else checks.column_settings(tables, subject.columns),
            lock=SHARE_UPDATE_EXCLUSIVE,
            tables=tables,
            columns=subject.columns,
            cautions=(_LONGER, NOT_OWNER),
        ),
    )


def build_join_target(finding: CauseFinding, capture: Capture) -> tuple[Draft, ...]:
    """Longer lists of common values on both sides of a join key."""
    subject = finding.subject
    one = build_target(replace(finding, subject=replace(subject, fraction=0.001)), capture)
    if subject.other_table is None or not subject.other_table.name or not one:
        return one
    other_side = replace(
        subject, table=subject.other_table, columns=subject.other_columns, relation=None, fraction=0.001, partitions=()
    )
    other = build_target(replace(finding, subject=other_side), capture)
    if not other:
        return one
    both = replace(
        one[0],
        sql=(*one[0].sql, *other[0].sql),
        undo=(*(one[0].undo or ()), *(other[0].undo or ())),
        tables=tuple(dict.fromkeys((*one[0].tables, *other[0].tables))),
        columns=tuple(dict.fromkeys((*one[0].columns, *other[0].columns))),
        reason=f"Keep longer lists of common values of the join key on {one[0].tables[0]} and {other[0].tables[0]}, "
        "which the planner compares with each other.",
        works=0.5,
    )
    return (both,)


def build_objects(finding: CauseFinding, capture: Capture) -> tuple[Draft, ...]:
    """A statistics object for columns that go together, with a longer list where the combination is rare."""
    kinds = {
        "correlated_columns_equality": ("dependencies", "mcv"),
        "correlated_columns_range": ("mcv",),
        "ndistinct_multi_column": ("ndistinct",),
    }[finding.code]
    subject = finding.subject
    tables = targets(finding)
    columns = subject.columns[:_MOST_COLUMNS]
    if not tables or len(columns) < 2:
        return ()
    target = needed_target(subject.fraction) if "mcv" in kinds else 100
    if finding.code == "correlated_columns_range":
        target = max(target, 1000)  # the ranges cover many combinations, and each has to be in the list
    what = {
        "dependencies": "one decides the other",
        "mcv": "which combinations are common",
        "ndistinct": "how many combinations there are",
    }
    told = " and ".join(what[k] for k in kinds)
    return (
        _object(
            finding,
            capture,
            tables=tables,
            members=tuple(quote_name(c) for c in columns),
            columns=columns,
            kinds=kinds,
            target=target,
            reason=f"Let the planner learn of {', '.join(columns)} on {tables[0]} together: {told}.",
            works=_works(finding),
        ),
    )


def _works(finding: CauseFinding) -> float:
    """A list of common combinations describes ranges only where the combinations are few, which the catalog tells."""
    if finding.code != "correlated_columns_range":
        return 0.9
    return 0.6 if finding.subject.relation is not None else 0.25


def build_expression(finding: CauseFinding, capture: Capture) -> tuple[Draft, ...]:
    """Statistics of an expression: a statistics object from 14, an index on 13."""
    subject = finding.subject
    tables = targets(finding)
    if not tables or not subject.expressions:
        return ()
    try:
        readable = read_expressions(subject.expressions)
    except Unreadable as error:
        return (without_statements(_expressions(finding, capture, ()), str(error)),)
    return (_expressions(finding, capture, readable),)


def _expressions(finding: CauseFinding, capture: Capture, readable: tuple[str, ...]) -> Draft:
    """The draft for the finding's expressions, as they were read."""
    subject = finding.subject
    tables = targets(finding)
    release = major(capture)
    if release is not None and release < _EXPRESSIONS_FROM:
        return _expression_index(finding, tables, readable)
    together = subject.columns if len(subject.expressions) + len(subject.columns) <= _MOST_COLUMNS else ()
    members = (*(f"({e})" for e in readable), *(quote_name(c) for c in together))
    draft = _object(
        finding,
        capture,
        tables=tables,
        members=members,
        columns=(*subject.expressions, *together),
        kinds=(),
        target=needed_target(subject.fraction),
        reason=f"Let ANALYZE collect statistics of {', '.join(subject.expressions)} on {tables[0]}, as it does of a "
        "column.",
        works=0.9,
    )
    if release is None:
        note = "statistics of expressions exist from release 14 on; on 13 an index on the expression collects them"
        draft = replace(draft, cautions=(*draft.cautions, note))
    return draft


def _object(
    finding: CauseFinding,
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
    sql: list[str] = []
    undo: list[str] = []
    listed = f" ({', '.join(kinds)})" if kinds else ""
    expressions = finding.subject.expressions
    named_by = tuple(name_of_expression(c) if c in expressions else c for c in columns)
    for table in tables:
        name = quote_table(TableName(_free_name(finding.subject.relation, table, named_by, kinds), table.schema))
        sql.append(f"CREATE STATISTICS {name}{listed} ON {', '.join(members)} FROM {quote_table(table)}")
        if target > 100 and "ndistinct" not in kinds:
            sql.append(f"ALTER STATISTICS {name} SET STATISTICS {target}")
        undo.append(f"DROP STATISTICS {name}")
    known = finding.subject.relation is not None and catalog_of(capture) is not None
    cautions = ["it has no effect before the ANALYZE that follows it", NOT_OWNER]
    if target > 100:
        cautions.append(_LONGER)
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


def _expression_index(finding: CauseFinding, tables: tuple[TableName, ...], readable: tuple[str, ...]) -> Draft:
    subject = finding.subject
    table = tables[0]
    name = fitting_name(table.name, *map(name_of_expression, subject.expressions), "idx")
    members = ", ".join(f"({e})" for e in readable)
    qualified = quote_table(TableName(name, table.schema))
    return Draft(
        kind="new_index",
        sql=(
            f"CREATE INDEX CONCURRENTLY {quote_name(name)} ON {quote_table(table)} ({members})",
            *analyze_statements((table,)),
        ),
        sql_trial=(
            f"CREATE INDEX {quote_name(name)} ON {quote_table(table)} ({members})",
            *analyze_statements((table,)),
        ),
        undo=(f"DROP INDEX CONCURRENTLY {qualified}",),
        reason=f"An index on {', '.join(subject.expressions)} lets ANALYZE collect statistics of it; release 13 has no "
        "other way.",
        works=0.85,
        transactional=False,
        lock=SHARE_UPDATE_EXCLUSIVE,
        tables=(table,),
        columns=subject.expressions,
        cautions=("every write to the table maintains the index", "the expression has to be immutable"),
    )


def build_n_distinct(finding: CauseFinding, capture: Capture) -> tuple[Draft, ...]:
    """n_distinct set by hand to what was counted; a larger sample where nothing was counted."""
    subject = finding.subject
    tables = targets(finding)
    if not tables or len(subject.columns) != 1:
        return ()
    if subject.distinct is None or subject.distinct < 2:
        drafts = build_target(replace(finding, subject=replace(subject, fraction=0.001)), capture)
        return tuple(
            replace(
                d,
                works=0.5,
                reason=f"Let ANALYZE draw a larger sample of {tables[0]}, from which it counts distinct values.",
            )
            for d in drafts
        )
    value = _as_stored(subject.distinct, subject.total_rows)
    column = quote_name(subject.columns[0])
    inherited = subject.relation is not None and subject.relation.kind == "partitioned_table"
    option = "n_distinct_inherited" if inherited else "n_distinct"
    table = tables[0]
    place = f"ALTER TABLE {quote_table(table)} ALTER COLUMN {column}"
    known = subject.relation is not None and catalog_of(capture) is not None
    return (
        Draft(
            kind="more_statistics",
            sql=(f"{place} SET ({option} = {value})", *analyze_statements((table,))),
            undo=(f"{place} RESET ({option})", *analyze_statements((table,))),
            undo_note=None if known else "RESET removes an override that was set before as well",
            reason=f"{subject.columns[0]} of {table} has {counted(subject.distinct, 'distinct value')}, counted by "
            "this query; the sample says otherwise.",
            works=0.85,
            check_first=None if known else checks.column_settings((table,), subject.columns),
            lock=SHARE_UPDATE_EXCLUSIVE,
            tables=(table,),
            columns=subject.columns,
            cautions=(
                "a number set by hand stays when the data change; a negative one grows with the table",
                NOT_OWNER,
            ),
        ),
    )


def _as_stored(distinct: float, rows: float | None) -> str:
    """A fraction of the rows where the values will grow with the table, as ANALYZE itself decides (over 10%)."""
    if rows and distinct > 0.1 * rows:
        return f"{-min(distinct / rows, 1.0):.4g}"
    return f"{distinct:.0f}"


def _old_target(relation: Relation | None, column: str) -> int | None:
    found = relation.column(column) if relation is not None else None
    return found.statistics_target if found is not None else None


def _next_step(now: int) -> int:
    return next((step for step in _STEPS if step > now), _STEPS[-1])
