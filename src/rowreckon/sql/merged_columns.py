"""JOIN … USING written as JOIN … ON, where both surely say the same: what follows then reads one shape alone.

Of an inner join, the column that USING merges is the left table's (`buildMergedJoinVar` in PostgreSQL's
parse_clause.c), as long as both columns have one type.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from rowreckon.sql.conjuncts import joins, name_of, selects
from rowreckon.sql.grammar import parse
from rowreckon.sql.tree import every_message, kind_of, strings

_Visible = list[tuple[str, str]]
"""Column and the alias of its table, as an item of FROM shows them without a table's name."""


class _NotSure(Exception):
    """What a name means is not told by the text and the tables' columns."""


def written_with_on(tree: Any, select: Any, types: Mapping[str, Mapping[str, str]]) -> bool:
    """Write each USING of the tree's one SelectStmt as ON, in place; whether no USING is left.

    `types` has the type of each column by the alias of its table. False where the two forms might differ: the tree
    may then be changed in part, and is of no use.
    """
    if not any(join.using_clause for join in joins(select)):
        return True
    references = [m for m in every_message(tree) if kind_of(m) == "ColumnRef"]
    if sum(1 for _ in selects(tree)) > 1 or any(len(strings(r.fields)) != len(r.fields) for r in references):
        return False  # another SELECT's column, or a star, whose columns USING puts in another order
    merged = {name for join in joins(select) for name in _merged_by(join)}
    if any(name in merged for name in _meant_by_order(select)) or any(name in merged for name in _bare_in_from(select)):
        return False
    try:
        visible = [pair for item in select.from_clause for pair in _with_on(item, types)]
        for reference in references:
            parts = strings(reference.fields)
            if len(parts) == 1 and parts[0] in merged:
                _name_table(reference, _only_owner(visible, parts[0]))
    except _NotSure:
        return False
    return True


def _with_on(item: Any, types: Mapping[str, Mapping[str, str]]) -> _Visible:
    """Write the USING of one item of FROM as ON, those below it too; the columns that it shows."""
    if item.WhichOneof("node") != "join_expr":
        name = name_of(item)
        if name is None or name not in types:
            raise _NotSure
        return [(column, name) for column in types[name]]
    join = item.join_expr
    left, right = _with_on(join.larg, types), _with_on(join.rarg, types)
    merged = _merged_by(join)
    equal = []
    for column in merged:
        one, other = _only_owner(left, column), _only_owner(right, column)
        if types[one][column] != types[other][column]:
            raise _NotSure
        equal.append(_equality(one, other, column))
    if equal:
        del join.using_clause[:]
        join.quals.CopyFrom(_all(equal))
    return [*left, *(pair for pair in right if pair[0] not in merged)]


def _merged_by(join: Any) -> tuple[str, ...]:
    return strings(join.using_clause)


def _only_owner(visible: _Visible, column: str) -> str:
    owners = [alias for name, alias in visible if name == column]
    if len(owners) != 1:
        raise _NotSure
    return owners[0]


def _equality(left: str, right: str, column: str) -> Any:
    node = parse("SELECT a.k = b.k").stmts[0].stmt.select_stmt.target_list[0].res_target.val
    for side, alias in ((node.a_expr.lexpr, left), (node.a_expr.rexpr, right)):
        fields = side.column_ref.fields
        fields[0].string.sval, fields[1].string.sval = alias, column
    return node


def _all(conditions: list[Any]) -> Any:
    if len(conditions) == 1:
        return conditions[0]
    both = parse("SELECT a AND b").stmts[0].stmt.select_stmt.target_list[0].res_target.val
    del both.bool_expr.args[:]
    both.bool_expr.args.extend(conditions)
    return both


def _name_table(reference: Any, alias: str) -> None:
    (column,) = strings(reference.fields)
    del reference.fields[:]
    for part in (alias, column):
        reference.fields.add().string.sval = part


def _bare_in_from(select: Any) -> Iterator[str]:
    """Columns without a table's name in ON, which sees its own join's tables alone."""
    messages: Iterator[Any] = (message for item in select.from_clause for message in every_message(item))
    for message in messages:
        if kind_of(message) == "ColumnRef" and len(message.fields) == 1:
            yield from strings(message.fields)


def _meant_by_order(select: Any) -> Iterator[str]:
    """The names that ORDER BY and DISTINCT ON may take from output columns, before a table's column is looked for.

    A merged column that is put out under its own bare name is the same column either way, so it is not among them.
    """
    if not select.sort_clause and not select.distinct_clause:
        return
    for target in select.target_list:
        value = target.res_target.val
        kind = value.WhichOneof("node")
        if target.res_target.name:
            yield target.res_target.name
        elif kind == "func_call":
            yield strings(value.func_call.funcname)[-1]
        elif kind != "column_ref":
            yield from (name for join in joins(select) for name in _merged_by(join))  # a cast takes its column's name
        elif len(value.column_ref.fields) > 1:
            yield strings(value.column_ref.fields)[-1]
