"""A query whose tables are brought together by inner joins alone, so that its conditions may stand anywhere in it.

Where all joins of a SELECT are inner ones, a condition means the same in ON, in WHERE, and in a statement that keeps
the rows of its table before. Any other shape is none of these.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Any

from rowreckon.frozen import frozen
from rowreckon.sql.conjuncts import conjuncts, from_items, joins, name_of, selects
from rowreckon.sql.grammar import parse
from rowreckon.sql.tree import every_message, kind_of, strings

_INNER = 1  # JoinType.JOIN_INNER: the library's enumerations are slow to load
_ROW_CHOOSERS = frozenset({"LockingClause", "IntoClause", "RangeTableSample"})
_NOT_MOVED = frozenset({"ParamRef", "FuncCall", "A_Star"})


@frozen
class FlatSelect:
    """The whole statement's tree, and the one SelectStmt in it that reads the tables asked for."""

    tree: Any
    select: Any

    def table(self, alias: str) -> Any:
        """The RangeVar that stands under an alias of the tables asked for."""
        return next(item.range_var for item in from_items(self.select) if name_of(item) == alias)


def flat_select(query: str, aliases: Collection[str]) -> FlatSelect | None:
    """The query as such a shape around the tables of these aliases; None where it has another. Raises NotSql.

    No WITH, LIMIT, row lock or parameter: which rows come, and from where, is told by this text alone. Joins by USING
    are let through: a column that one of them merges belongs to no one table.
    """
    tree = parse(query)
    if len(tree.stmts) != 1 or tree.stmts[0].stmt.WhichOneof("node") != "select_stmt" or chooses_rows(tree):
        return None
    if any(kind_of(message) == "ParamRef" for message in every_message(tree)):
        return None
    found: list[Any] = []
    for select in selects(tree):
        names = [name_of(item) for item in from_items(select)]
        if any(alias in names for alias in aliases):
            found.append((select, names))
    if len(found) != 1:
        return None
    select, names = found[0]
    if any(names.count(alias) != 1 for alias in aliases) or not all(_is_inner(join) for join in joins(select)):
        return None
    tables = {name_of(item) for item in from_items(select) if item.WhichOneof("node") == "range_var"}
    return FlatSelect(tree, select) if set(aliases) <= tables else None


def chooses_rows(tree: Any) -> bool:
    """Whether which rows come is left to the plan, or a WITH could stand in a table's place."""
    for message in every_message(tree):
        kind = kind_of(message)
        if kind in _ROW_CHOOSERS or kind == "CommonTableExpr":
            return True
        if kind == "SelectStmt" and (message.HasField("limit_count") or message.HasField("limit_offset")):
            return True
    return False


def own_conditions(flat: FlatSelect, owner_of: Any, aliases: Collection[str]) -> Iterator[Any]:
    """The conditions that ask of nothing but the tables of these aliases, and that mean the same wherever they stand.

    `owner_of` says under which alias the table of a ColumnRef stands, None where that is not clear.
    """
    for condition in conjuncts(flat.select):
        inside = list(every_message(condition))
        named = [message for message in inside if kind_of(message) == "ColumnRef"]
        if any(kind_of(message) in _NOT_MOVED for message in inside):
            continue
        if any(kind_of(message) == "SubLink" for message in inside):
            named = _of_the_outside(flat, inside, named)
        if named and all(owner_of(reference) in aliases for reference in named):
            yield condition


def _of_the_outside(flat: FlatSelect, inside: Collection[Any], named: Collection[Any]) -> list[Any]:
    """The columns of tables outside of a condition's subqueries; none where it is not clear whose each is.

    A column needs its table's name there, and no table inside may have the name of one outside, nor be no table.
    """
    outside = {name_of(item) for item in from_items(flat.select)}
    tables = [item for message in inside if kind_of(message) == "SelectStmt" for item in from_items(message)]
    own = {name_of(item) for item in tables if item.WhichOneof("node") == "range_var"}
    parts = [strings(reference.fields) for reference in named]
    clear = len(own) == len(tables) and None not in own and not own & outside
    if not clear or any(len(part) != 2 or part[0] not in own | outside for part in parts):
        return []
    return [reference for reference, part in zip(named, parts, strict=True) if part[0] in outside]


def qualified(reference: Any) -> tuple[str, str] | None:
    """Alias and column of a ColumnRef that names both; None for any other."""
    parts = strings(reference.fields)
    return (parts[0], parts[1]) if len(parts) == 2 == len(reference.fields) else None


def all_of(conditions: Collection[Any]) -> Any:
    """One condition that is true where all of these are."""
    if len(conditions) == 1:
        return next(iter(conditions))
    both = parse("SELECT a AND b").stmts[0].stmt.select_stmt.target_list[0].res_target.val
    del both.bool_expr.args[:]
    for condition in conditions:
        if condition.WhichOneof("node") == "bool_expr" and condition.bool_expr.boolop == both.bool_expr.boolop:
            both.bool_expr.args.extend(condition.bool_expr.args)
        else:
            both.bool_expr.args.add().CopyFrom(condition)
    return both


def _is_inner(join: Any) -> bool:
    plain = not join.is_natural and not join.HasField("alias") and not join.HasField("join_using_alias")
    return plain and join.jointype == _INNER
