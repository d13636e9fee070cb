"""Queries for a part of a query: some of its relations, with all conditions that hold among them.

The planner's estimate for such a query is the one that it has for these relations within the whole. What follows from
equal columns through a relation that is left out is written down, as the planner would derive it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any

from postgast.pg_query_pb2 import JoinType

from rowreckon.frozen import frozen
from rowreckon.sql.grammar import parse
from rowreckon.stand_in.permitted import as_text
from rowreckon.stand_in.scope import ColumnOfQuery

from .conditions import Pair, columns_in, conjuncts, constants_in, equal_columns, is_equality
from .levels import Level, items_of, relations_in


@frozen
class Part:
    """A part of a query: what it keeps, `aliases` as a plan shows them and `items` of the level.

    `joined` are all relations that the plan joins: subqueries of conditions over others are tested row by row.
    """

    level: Level
    aliases: frozenset[str]
    items: frozenset[str]
    joined: frozenset[str]


def part_query(tree: Any, part: Part) -> str:
    """The query for a part, which gives a constant for each row. Raises NotPermitted where it can't be printed."""
    fresh = parse("select 1")
    select = fresh.stmts[0].stmt.select_stmt
    outermost = tree.stmts[0].stmt.select_stmt
    if outermost.HasField("with_clause"):
        select.with_clause.CopyFrom(outermost.with_clause)
    conditions: list[Any] = []
    for node in part.level.select.from_clause:
        kept = _pruned(node, part, conditions)
        if kept is not None:
            select.from_clause.add().CopyFrom(kept)
    conditions += [c for c in conjuncts(part.level.select.where_clause) if _belongs(c, part)]
    conditions += _derived(part)
    _put(select, conditions)
    return as_text(fresh)


def count_query(part: str, most_rows: int) -> str:
    """The query that counts a part's rows, up to so many, from the part's query. Raises NotPermitted if it can't be."""
    whole = parse(f"select pg_catalog.count(*) from (select 1 limit {int(most_rows)}) as counted")
    inside = whole.stmts[0].stmt.select_stmt.from_clause[0].range_subselect.subquery.select_stmt
    limit = type(inside.limit_count)()
    limit.CopyFrom(inside.limit_count)
    option = inside.limit_option
    inside.CopyFrom(parse(part).stmts[0].stmt.select_stmt)
    inside.limit_count.CopyFrom(limit)
    inside.limit_option = option
    return as_text(whole)


def pairs_between(level: Level, outer: frozenset[str], inner: frozenset[str]) -> tuple[Pair, ...]:
    """The columns that a level's conditions hold equal across two sets of its relations, outer first."""
    found: list[Pair] = []
    for condition in all_conditions(level):
        pair = equal_columns(condition, level.scope)
        if pair is None:
            continue
        for one, other in (pair, pair[::-1]):
            if one.alias in outer and other.alias in inner:
                found.append((one, other))
    return tuple(dict.fromkeys(found))


def all_conditions(level: Level) -> list[Any]:
    """What must hold of every row: the WHERE clause, and what inner joins are on."""
    found = list(conjuncts(level.select.where_clause))
    for node in level.select.from_clause:
        found += _inner_conditions(node)
    return found


def inner_only(level: Level) -> bool:
    """Whether all joins of the FROM clause are plain inner ones, whose order is the planner's to choose."""
    waiting = list(level.select.from_clause)
    while waiting:
        node = waiting.pop()
        if node.WhichOneof("node") == "join_expr":
            join = node.join_expr
            if join.jointype != JoinType.JOIN_INNER or join.is_natural or join.using_clause or join.alias.aliasname:
                return False
            waiting += [join.larg, join.rarg]
    return True


Order = str | tuple["Order", "Order"]
"""An alias, or two orders that are joined."""


def ordered_query(tree: Any, level: Level, order: Order) -> str:
    """The whole query with its outermost FROM clause written in this order of joins. Raises NotPermitted.

    With join_collapse_limit = 1 the planner then keeps that order; which side comes first it still chooses.
    """
    fresh = parse("select 1")
    fresh.CopyFrom(tree)
    select = fresh.stmts[0].stmt.select_stmt
    conditions = all_conditions(level)
    del select.from_clause[:]
    select.from_clause.add().CopyFrom(_nested(level, order))
    select.ClearField("where_clause")
    _put(select, conditions)
    return as_text(fresh)


def _nested(level: Level, order: Order) -> Any:
    if isinstance(order, str):
        return level.items[order].node
    node = parse("select 1 from a join b on true").stmts[0].stmt.select_stmt.from_clause[0]
    node.join_expr.larg.CopyFrom(_nested(level, order[0]))
    node.join_expr.rarg.CopyFrom(_nested(level, order[1]))
    return node


def _put(select: Any, conditions: Sequence[Any]) -> None:
    if len(conditions) == 1:
        select.where_clause.CopyFrom(conditions[0])
    elif conditions:
        both = parse("select 1 where a and b").stmts[0].stmt.select_stmt.where_clause
        del both.bool_expr.args[:]
        for condition in conditions:
            both.bool_expr.args.add().CopyFrom(condition)
        select.where_clause.CopyFrom(both)


def _inner_conditions(node: Any) -> list[Any]:
    if node.WhichOneof("node") != "join_expr" or node.join_expr.jointype != JoinType.JOIN_INNER:
        return []
    join = node.join_expr
    return [*conjuncts(join.quals), *_inner_conditions(join.larg), *_inner_conditions(join.rarg)]


def _belongs(condition: Any, part: Part) -> bool:
    """Whether a condition reads nothing but what the part keeps."""
    read = columns_in(condition, part.level.scope, part.level.hidden)
    if read is None or not {column.alias for column in read} <= part.items:
        return False
    inside = {alias for alias, _ in relations_in(condition)}
    return inside <= part.aliases or not inside & part.joined


def _pruned(node: Any, part: Part, conditions: list[Any]) -> Any:
    """A FROM entry without what the part leaves out; conditions of joins that fall away are added to `conditions`."""
    if node.WhichOneof("node") != "join_expr":
        return node if {item.alias for item in items_of(node)} <= part.items else None
    join = node.join_expr
    left, right = _pruned(join.larg, part, conditions), _pruned(join.rarg, part, conditions)
    kept = [c for c in conjuncts(join.quals) if _belongs(c, part)]
    if left is None or right is None:
        alone = right if left is None else left
        nullable = (join.jointype == JoinType.JOIN_LEFT and left is None) or (
            join.jointype == JoinType.JOIN_RIGHT and right is None
        )
        if alone is not None and (join.jointype == JoinType.JOIN_INNER or nullable):
            conditions += kept
        return alone
    fresh = parse("select 1 from a join b on true").stmts[0].stmt.select_stmt.from_clause[0]
    held = fresh.join_expr
    true = type(held.quals)()
    true.CopyFrom(held.quals)
    held.CopyFrom(join)
    held.larg.CopyFrom(left)
    held.rarg.CopyFrom(right)
    if not join.using_clause and not join.is_natural:
        held.ClearField("quals")
        _put_quals(held, kept or [true])
    return fresh


def _put_quals(join: Any, conditions: Sequence[Any]) -> None:
    select = parse("select 1").stmts[0].stmt.select_stmt
    _put(select, conditions)
    join.quals.CopyFrom(select.where_clause)


def _derived(part: Part) -> Iterable[Any]:
    """Equalities that follow through columns of relations that are left out."""
    classes: list[set[ColumnOfQuery]] = []
    constant: list[tuple[ColumnOfQuery, Any]] = []
    for condition in all_conditions(part.level):
        pair = equal_columns(condition, part.level.scope)
        if pair is not None:
            joined = [c for c in classes if c & set(pair)]
            classes = [c for c in classes if c not in joined] + [set(pair).union(*joined)]
        else:
            read = columns_in(condition, part.level.scope, part.level.hidden)
            if read is not None and len(read) == 1 and constants_in(condition) and _is_equal(condition):
                constant.append((next(iter(read)), condition))
    for equal in classes:
        kept = sorted((c for c in equal if c.alias in part.items), key=lambda c: (c.alias, c.name))
        if len(kept) == len(equal):
            continue
        for one, other in pairwise(kept):
            yield _equality(one, other)
        for column, condition in constant:
            if column in equal and column.alias not in part.items and kept:
                fresh = type(condition)()
                fresh.CopyFrom(condition)
                side = "lexpr" if condition.a_expr.lexpr.WhichOneof("node") == "column_ref" else "rexpr"
                getattr(fresh.a_expr, side).CopyFrom(_reference(kept[0]))
                yield fresh


def _is_equal(condition: Any) -> bool:
    if not is_equality(condition):
        return False
    sides = [s.WhichOneof("node") for s in (condition.a_expr.lexpr, condition.a_expr.rexpr)]
    return sides.count("column_ref") == 1


def _equality(one: ColumnOfQuery, other: ColumnOfQuery) -> Any:
    node = parse("select 1 where a.a = b.b").stmts[0].stmt.select_stmt.where_clause
    node.a_expr.lexpr.CopyFrom(_reference(one))
    node.a_expr.rexpr.CopyFrom(_reference(other))
    return node


def _reference(column: ColumnOfQuery) -> Any:
    node = parse("select a.a").stmts[0].stmt.select_stmt.target_list[0].res_target.val
    node.column_ref.fields[0].string.sval = column.alias
    node.column_ref.fields[1].string.sval = column.name
    return node
