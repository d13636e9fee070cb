"""A query written another way whose trees are proven equal: a condition in place of one that is true for the same rows.

Both ways serve filters for which the planner has statistics that it may not use. The query comes as its author wrote
it, is read by the grammar, and printed anew from its tree; any other shape gives no rewriting.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from rowreckon.frozen import frozen
from rowreckon.remedies.subject import Subject

_TEXTS = ("text", "character varying", "varchar")
LEAKS_BY_EQUALITY = ("numeric", "jsonb", "tsvector", "tsquery", "path", "box", "line")
"""Types whose = is not marked leakproof, beside arrays and ranges: by pg_proc.proleakproof of 18."""


@frozen
class Rewritten:
    """The whole query in its new form, and the condition that changed, as an expression over plain `columns`."""

    query: str
    condition: str
    columns: tuple[str, ...]


def asked_whether_true(query: str, subject: Subject) -> Rewritten | None:
    """`(condition) IS TRUE` in place of the one condition on the subject's columns that is no leakproof equality.

    Equal by SQL's own rules: WHERE and ON keep a row if the condition is true. None for any other shape.
    """
    return _one_conjunct(query, subject, _is_true, of_table=True)


def as_prefix(query: str, subject: Subject) -> Rewritten | None:
    """`column ^@ 'late'` in place of `column LIKE 'late%'`, which is true for the same texts.

    Only where the pattern is a plain text and a % at its end: no other wildcard, no escape, no blank before the %.
    """
    relation = subject.relation
    types = {} if relation is None else {name: c.type for name in subject.columns if (c := relation.column(name))}
    if not any(type_.startswith(_TEXTS) for type_ in types.values()):
        return None

    def prefix(conjunct: Any) -> Any | None:
        column = _liked(conjunct)
        if column is None or not types.get(column, "").startswith(_TEXTS):
            return None
        return _starts_with(conjunct)

    return _one_conjunct(query, subject, prefix, of_table=False)


def _one_conjunct(
    query: str, subject: Subject, rewrite: Callable[[Any], Any | None], *, of_table: bool
) -> Rewritten | None:
    """The query with its only rewritable conjunct on the subject's columns written anew."""
    from rowreckon.sql.conjuncts import conjuncts_over, reads_table, selects
    from rowreckon.sql.flat_select import chooses_rows
    from rowreckon.sql.grammar import NotSql, parse, printed
    from rowreckon.sql.tree import strings

    alias, table = subject.alias, subject.table
    if alias is None or table is None:
        return None
    try:
        tree = parse(query)
        if len(tree.stmts) != 1 or tree.stmts[0].stmt.WhichOneof("node") != "select_stmt" or chooses_rows(tree):
            return None
        places = [
            conjunct
            for select in selects(tree)
            if not of_table or reads_table(select, alias, table.name, table.schema)
            for conjunct in conjuncts_over(select, alias, frozenset(subject.columns))
            if not _is_leakproof_equality(conjunct, subject)
        ]
        new = rewrite(places[0]) if len(places) == 1 else None
        if new is None:
            return None
        columns = tuple(dict.fromkeys(strings(message.fields)[-1] for message in _references(places[0])))
        condition = _over_plain_columns(places[0])
        places[0].CopyFrom(new)
        return Rewritten(printed(tree), condition, columns)
    except NotSql:
        return None


def _is_leakproof_equality(node: Any, subject: Subject) -> bool:
    """Whether it is an equality whose function is leakproof, so that statistics speak already; by the column's type.

    What an expression gives has a type of its own, which the text does not tell: of that nothing is known.
    """
    from rowreckon.sql.tree import strings, without_casts

    if node.WhichOneof("node") != "a_expr" or strings(node.a_expr.name) != ("=",):
        return False
    sides = [without_casts(side) for side in (node.a_expr.lexpr, node.a_expr.rexpr)]
    names = [strings(side.column_ref.fields)[-1] for side in sides if side.WhichOneof("node") == "column_ref"]
    relation = subject.relation
    types = [c.type for name in names if relation is not None and (c := relation.column(name)) is not None]
    return bool(names) and not any(type_.startswith(LEAKS_BY_EQUALITY) or type_.endswith("[]") for type_ in types)


def _is_true(conjunct: Any) -> Any:
    """The conjunct as the argument of IS TRUE."""
    new = _value("NULL IS TRUE")
    new.boolean_test.arg.CopyFrom(conjunct)
    return new


def _liked(node: Any) -> str | None:
    """The name of the column in `column LIKE 'text%'`; None for anything else."""
    from rowreckon.sql.tree import strings, without_casts

    if node.WhichOneof("node") != "a_expr" or strings(node.a_expr.name) != ("~~",):
        return None
    column, pattern = node.a_expr.lexpr, without_casts(node.a_expr.rexpr)
    if column.WhichOneof("node") != "column_ref" or pattern.WhichOneof("node") != "a_const":
        return None
    text = pattern.a_const.sval.sval if pattern.a_const.WhichOneof("val") == "sval" else ""
    before = text.rstrip("%")
    if before in ("", text) or before.endswith(" ") or any(sign in before for sign in "%_\\"):
        return None
    names = strings(column.column_ref.fields)
    return names[-1] if names else None


def _starts_with(node: Any) -> Any:
    """`column ^@ 'text'` for `column LIKE 'text%'`."""
    from rowreckon.sql.tree import without_casts

    new = _value("NULL ^@ 'text'")
    pattern = without_casts(node.a_expr.rexpr).a_const.sval.sval
    new.a_expr.lexpr.CopyFrom(node.a_expr.lexpr)
    new.a_expr.rexpr.a_const.sval.sval = pattern.rstrip("%")
    return new


def _over_plain_columns(conjunct: Any) -> str:
    """The condition with its columns under their own names alone. Raises NotSql where it is no such expression."""
    from rowreckon.sql.grammar import NotSql, printed
    from rowreckon.sql.scalar import Uses, check

    plain = _select("1")
    value = plain.stmts[0].stmt.select_stmt.target_list[0].res_target.val
    value.CopyFrom(conjunct)
    for reference in _references(value):
        del reference.fields[:-1]
    uses = Uses()
    check(value, uses)
    if uses.functions:
        raise NotSql("it calls a function")
    return printed(plain).removeprefix("SELECT ")


def _references(node: Any) -> Iterator[Any]:
    from rowreckon.sql.tree import every_message, kind_of

    return (message for message in every_message(node) if kind_of(message) == "ColumnRef")


def _value(text: str) -> Any:
    return _select(text).stmts[0].stmt.select_stmt.target_list[0].res_target.val


def _select(text: str) -> Any:
    from rowreckon.sql.grammar import parse

    return parse(f"SELECT {text}")
