"""Indexes: a new one on the inner join key, or dropping one that lures into nested loops."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rowreckon.plural import counted
from rowreckon.remedies import checks
from rowreckon.remedies.draft import SAMPLED, SHARE_UPDATE_EXCLUSIVE, Draft
from rowreckon.remedies.quoting import fitting_name, quote_table
from rowreckon.remedies.readable import Unreadable, read_definition, read_expressions, without_statements
from rowreckon.remedies.subject import Subject, TableName
from rowreckon.sql.keywords import quote_name
from rowreckon.sql.spelling import names_of

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.catalog.facts import Index, Relation

_PAGE = 8192
_WRITES = "every INSERT and most UPDATEs of the table maintain the index, and it takes disk space"
_CONCURRENTLY = "CONCURRENTLY cannot run inside a transaction; if it fails, drop the invalid index that it leaves"
_ONLY_VISIBLE = "the index alone is read where VACUUM has marked the table's pages all-visible, else the table too"
_WORKLOAD = "this list of queries and the server's counters are not the whole workload: look for other uses first"

_LAST_RESORT = 0.4
"""What dropping an index counts: it mends no estimate, others may live by it, and a loop that finds its pages in memory
may be as fast as what comes instead (common practice, no source)."""


def new_index(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """CREATE INDEX on the inner join key or what a scan is asked for; partition by partition of a partitioned table."""
    table, relation = subject.table, subject.relation
    if table is None or not table.name or not subject.columns:
        return ()
    if relation is not None and relation.kind not in ("table", "materialized_view", "partitioned_table"):
        return ()
    name = _free_name(relation, table, _named_by(subject))
    words = dict(subject.directions)
    keys = [f"{quote_name(column)} {words.get(column, '')}".rstrip() for column in subject.columns]
    body = f"({', '.join(keys)})"
    if subject.included:
        body += f" INCLUDE ({', '.join(quote_name(c) for c in subject.included)})"
    unreadable = None
    if subject.predicate is not None:
        try:
            body += f" WHERE {read_expressions((subject.predicate,))[0]}"
        except Unreadable as error:
            unreadable = str(error)
    plain = f"CREATE INDEX {quote_name(name)} ON {quote_table(table)} {body}"
    qualified = quote_table(TableName(name, table.schema))
    sql: tuple[str, ...] = (plain.replace("CREATE INDEX", "CREATE INDEX CONCURRENTLY", 1),)
    undo: tuple[str, ...] = (f"DROP INDEX CONCURRENTLY {qualified}",)
    cautions = [_WRITES, _CONCURRENTLY]
    if relation is not None and relation.kind == "partitioned_table":
        undo = (f"DROP INDEX {qualified}",)
        parts = _partitioned(capture, relation, name, table, body)
        if parts is None:
            sql = (plain,)
            cautions = [_WRITES, "building it blocks writes to every partition (SHARE lock) until it is done"]
        else:
            sql = parts
            cautions.append("the index of the partitioned table is valid once every partition's is attached")
    known = relation is not None and capture.catalog is not None
    cautions += _of_this_index(subject)
    draft = Draft(
        kind="new_index",
        sql=sql,
        sql_trial=(plain,),
        undo=undo,
        reason=_reason(subject),
        works=SAMPLED,  # the planner priced it by the statistics that ANALYZE took
        transactional=not any("CONCURRENTLY" in s for s in sql),
        check_first=None if known else checks.indexes((table,)),
        lock=SHARE_UPDATE_EXCLUSIVE if any("CONCURRENTLY" in s for s in sql) else "SHARE",
        tables=(table,),
        columns=(*subject.columns, *subject.included),
        keys=subject.columns if subject.predicate is None and not subject.directions else (),
        cautions=tuple(cautions),
    )
    return (draft if unreadable is None else without_statements(draft, unreadable),)


def _named_by(subject: Subject) -> tuple[str, ...]:
    """What the name is made of: all columns, as the server's own names are, and those of a predicate."""
    whole = (*subject.columns, *subject.included)
    if subject.predicate is None:
        return whole
    relation = subject.relation
    known = {c.name for c in relation.columns} if relation is not None else names_of(subject.predicate)
    return (*whole, "where", *sorted(names_of(subject.predicate) & known))


def _reason(subject: Subject) -> str:
    named = ", ".join(subject.columns)
    if subject.of_scan:
        return f"With an index on {named} the scan of {subject.table} reads hardly more than the rows that are wanted."
    if subject.included:
        return (
            f"With an index on {named} that includes {', '.join(subject.included)} the join finds all that it needs of "
            f"{subject.table} in the index."
        )
    if subject.prefix_of_new is not None:
        return (
            f"With an index on {named} the join reads only rows of {subject.table} that it keeps. By "
            f"{subject.prefix_of_new} it reads more and discards them."
        )
    return f"With an index on {named} the join reads the matching rows of {subject.table} instead of all of them."


def _of_this_index(subject: Subject) -> Iterator[str]:
    """The price of the index at hand: its size, the updates that it makes dearer, whom it serves."""
    if subject.pages is not None:
        size = subject.pages * _PAGE / 1024
        told = f"{size / 1024:,.0f} MB" if size >= 1024 else f"{max(size, 1):,.0f} kB"
        yield f"its size is modelled as {told}"
    whole = ", ".join((*subject.columns, *subject.included))
    yield f"an UPDATE of {whole} can no longer be a HOT update: it writes to every index of the table"
    if subject.included:
        yield _ONLY_VISIBLE
    if subject.prefix_of_new is not None:
        yield f"it can also do what {subject.prefix_of_new} does; both cost every write, so look who uses the old one"
    if subject.predicate is not None:
        yield "it serves only queries that hold the same condition"


def _partitioned(
    capture: Capture, relation: Relation, name: str, table: TableName, body: str
) -> tuple[str, ...] | None:
    """The statements that build a partitioned table's index without blocking writes; None if a partition is unknown."""
    catalog = capture.catalog
    children = [catalog.relation(oid) for oid in relation.children] if catalog is not None else []
    leaves = [c for c in children if c is not None and c.kind == "table"]
    if not leaves or len(leaves) != len(relation.children):
        return None
    qualified = quote_table(TableName(name, table.schema))
    sql = [f"CREATE INDEX {quote_name(name)} ON ONLY {quote_table(table)} {body}"]
    columns = name.removesuffix("_idx").removeprefix(table.name).strip("_") or "key"
    for leaf in leaves:
        own = _free_name(leaf, TableName(leaf.name, leaf.schema_), (columns,))
        sql.append(
            f"CREATE INDEX CONCURRENTLY {quote_name(own)} ON {quote_table(TableName(leaf.name, leaf.schema_))} {body}"
        )
        sql.append(f"ALTER INDEX {qualified} ATTACH PARTITION {quote_table(TableName(own, leaf.schema_))}")
    return tuple(sql)


def _free_name(relation: Relation | None, table: TableName, columns: tuple[str, ...]) -> str:
    taken = {i.name for i in relation.indexes} if relation is not None else set()
    name = fitting_name(table.name, *columns, "idx")
    number = 2
    while name in taken:
        name = fitting_name(table.name, *columns, f"idx{number}")
        number += 1
    return name


def _old_definition(index: Index | None) -> tuple[tuple[str, ...] | None, str | None]:
    """What makes the index again, or why that is not told."""
    why = "the index's definition is not known here"
    if index is not None:
        try:
            return (read_definition(index.definition),), None
        except Unreadable as error:
            why = str(error)
    return None, f"{why}: keep pg_get_indexdef first"


def dropped_index(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """DROP INDEX of an index that guards nothing; the old definition is the undo where the catalog tells it."""
    if subject.index is None or subject.table is None:
        return ()
    index = subject.relation.index(subject.index) if subject.relation is not None else None
    schema = index.schema_ if index is not None else subject.table.schema
    qualified = quote_table(TableName(subject.index, schema))
    used = ""
    if index is not None and index.idx_scan is not None:
        used = f" The server counted {counted(index.idx_scan, 'scan')} of it."
    on_partition = subject.relation is not None and (
        subject.relation.is_partition or subject.relation.kind == "partitioned_table"
    )
    undo, undo_note = _old_definition(index)
    cautions = [_WORKLOAD, "it is tried on a copy only, never in place: dropping takes an ACCESS EXCLUSIVE lock"]
    if on_partition:
        cautions.append("an index of a partition that belongs to the parent's index cannot be dropped alone")
    return (
        Draft(
            kind="drop_index",
            sql=(f"DROP INDEX CONCURRENTLY {qualified}",),
            sql_trial=(f"DROP INDEX {qualified}",),
            undo=undo,
            undo_note=undo_note,
            reason=f"Without the index {subject.index} the planner would not choose a nested loop over the rows that "
            f"came. The estimates stay as they are.{used}",
            works=SAMPLED,
            counts=_LAST_RESORT,
            transactional=False,
            check_first=checks.indexes((subject.table,)),
            lock=SHARE_UPDATE_EXCLUSIVE,
            tables=(subject.table,),
            columns=subject.columns,
            index=subject.index,
            cautions=tuple(cautions),
        ),
    )
