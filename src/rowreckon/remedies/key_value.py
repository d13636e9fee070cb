"""A join key's value written beside the filter that picks it: the planner then sees how common it is at the other side.

Where all rows that a filter keeps have one key, the condition `key = value` is true for each of them, so it may stand
beside the filter. What the value is, the tables alone tell: a sweep asks for it on the server that it runs on.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from rowreckon.remedies.draft import SAMPLED, Draft
from rowreckon.remedies.statistics import together
from rowreckon.remedies.subject import Subject, TableName

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.catalog.facts import Relation

_WHOLE_NUMBERS = ("smallint", "integer", "bigint")
_TYPES = (*_WHOLE_NUMBERS, "text", "character varying", "uuid", "date")
"""Types whose text is a constant of theirs, equal where the text is."""


def look_up(query: str, alias: str, key: str, columns: Collection[str]) -> str | None:
    """The query that gives the values of `key` that the filter on `columns` of one table leaves, two at most.

    None where the query is no chain of inner joins, or has no such filter.
    """
    from rowreckon.sql.flat_select import all_of, flat_select
    from rowreckon.sql.grammar import NotSql, parse, printed

    try:
        flat = flat_select(query, (alias,))
        found = _filters(flat, alias, columns) if flat is not None else []
        if flat is None or not found:
            return None
        asked = parse("SELECT DISTINCT a.k::pg_catalog.text FROM t WHERE true LIMIT 2")
        select = asked.stmts[0].stmt.select_stmt
        reference = select.target_list[0].res_target.val.type_cast.arg.column_ref
        reference.fields[0].string.sval, reference.fields[1].string.sval = alias, key
        select.from_clause[0].range_var.CopyFrom(flat.table(alias))
        select.where_clause.CopyFrom(all_of(found))
        return printed(asked)
    except NotSql:
        return None


def with_value(query: str, alias: str, key: str, columns: Collection[str], value: str, *, number: bool) -> str | None:
    """The query with `alias.key = value` beside the filter on `columns`; None for any other shape."""
    from rowreckon.sql.flat_select import all_of, flat_select
    from rowreckon.sql.grammar import NotSql, parse, printed

    try:
        flat = flat_select(query, (alias,))
        if flat is None or not _filters(flat, alias, columns):
            return None
        equal = parse(f"SELECT a.k = {int(value) if number else 'NULL'}")
        condition = equal.stmts[0].stmt.select_stmt.target_list[0].res_target.val
        fields = condition.a_expr.lexpr.column_ref.fields
        fields[0].string.sval, fields[1].string.sval = alias, key
        if not number:
            constant = parse("SELECT 'value'").stmts[0].stmt.select_stmt.target_list[0].res_target.val
            constant.a_const.sval.sval = value
            condition.a_expr.rexpr.CopyFrom(constant)
        where = flat.select.where_clause
        kept = [where] if flat.select.HasField("where_clause") else []
        together = all_of([*kept, condition])
        new = parse("SELECT true").stmts[0].stmt.select_stmt.target_list[0].res_target.val
        new.CopyFrom(together)
        where.CopyFrom(new)
        return printed(flat.tree)
    except (NotSql, ValueError):
        return None


def _filters(flat: Any, alias: str, columns: Collection[str]) -> list[Any]:
    from rowreckon.sql.conjuncts import joins
    from rowreckon.sql.flat_select import own_conditions, qualified
    from rowreckon.sql.tree import every_message, kind_of, strings

    merged = {name for join in joins(flat.select) for name in strings(join.using_clause)}

    def owner(reference: Any) -> str | None:
        named = qualified(reference)
        if named is not None:
            return named[0]
        parts = strings(reference.fields)
        return alias if len(parts) == 1 and parts[0] in columns and parts[0] not in merged else None

    # what a subquery finds is no fixed value, so the key that it leaves is none to write down
    own = (c for c in own_conditions(flat, owner, (alias,)) if all(kind_of(m) != "SubLink" for m in every_message(c)))
    return list(own)[::-1]


def key_value(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """The query with the key's value in it, where a sweep found the one value that the filter leaves."""
    if capture.query is None or capture.catalog is None:
        return ()
    for found in capture.key_values:
        if (found.alias, found.column) not in subject.keys:
            continue
        relation = capture.catalog.relation(found.table, found.schema_name)
        column = relation.column(found.column) if relation is not None else None
        if relation is None or column is None or not column.type.startswith(_TYPES):
            continue
        columns = frozenset(c.name for c in relation.columns)
        number = column.type in _WHOLE_NUMBERS
        asked = look_up(capture.query, found.alias, found.column, columns)
        query = with_value(capture.query, found.alias, found.column, columns, found.value, number=number)
        if asked is not None and query is not None:
            filtered = tuple(c.name for c in relation.columns if c.name in _named(asked) - {found.column})
            return (_draft(relation, found.column, filtered, capture, asked, query),)
    return ()


def _draft(relation: Relation, key: str, filtered: tuple[str, ...], capture: Capture, asked: str, query: str) -> Draft:
    """Beside a key that repeats, statistics of both columns together: each of them alone would be counted twice."""
    draft = Draft(
        kind="query_rewrite",
        title="Write the key's value beside the filter that picks it",
        sql=(asked, query),
        sql_trial=(query,),
        reason=f"All rows of {relation.qualified_name} that its filter keeps have one {key}. With that value in the "
        "text the planner sees how common it is at the other side of the join.",
        works=SAMPLED,
        undo=(),
        undo_note="send the query as it was",
        cautions=(
            "the program has to ask for the value first, by the first statement, and write it into the second",
            "both belong into one REPEATABLE READ transaction: with an old value the query loses rows",
            "it changes the text of this query alone",
        ),
    )
    table = TableName(relation.name, relation.schema_)
    repeats = Subject(table=table, relation=relation, columns=(*filtered, key))
    statistics = () if _is_unique(relation, key) else together(repeats, capture, ("dependencies", "mcv"))
    if not statistics:
        return draft
    return replace(
        draft,
        sql=(*statistics[0].sql, asked, query),
        sql_trial=(*statistics[0].sql, query),
        reason=f"{draft.reason} Statistics of filter and key together keep it from counting both.",
        undo=statistics[0].undo,
        undo_note="then send the query as it was",
        lock=statistics[0].lock,
        tables=statistics[0].tables,
        columns=statistics[0].columns,
        cautions=(*draft.cautions, *statistics[0].cautions),
    )


def _is_unique(relation: Relation, key: str) -> bool:
    column = relation.column(key)
    number = column.attnum if column is not None else None
    keys = [k.columns for k in relation.unique_keys]
    return (number,) in keys or any(i.unique and [k.attnum for k in i.keys] == [number] for i in relation.indexes)


def _named(query: str) -> frozenset[str]:
    """The names of all columns that a query reads."""
    from rowreckon.sql.grammar import parse
    from rowreckon.sql.tree import every_message, kind_of, strings

    messages = every_message(parse(query))
    return frozenset(strings(m.fields)[-1] for m in messages if kind_of(m) == "ColumnRef" and strings(m.fields))
