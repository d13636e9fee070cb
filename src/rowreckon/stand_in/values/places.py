"""The places of a query at which a literal or a parameter stands against a column, and the query with another value.

Only comparisons are looked at (`=`, `<>`, `<`, `<=`, `>`, `>=`, BETWEEN, IN, LIKE) of a plain column with a plain
value; the value is put into a copy of the tree, never into the text.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any, Final

from postgast.pg_query_pb2 import A_Expr_Kind, ParseResult

from rowreckon.frozen import frozen
from rowreckon.sql.tree import strings, without_casts
from rowreckon.stand_in.facts import StandInFacts

from .columns import LEVELS, Column, Level, Names
from .kinds import Kind, Value, kind_of_column

Step = tuple[str, int | None]
Path = tuple[Step, ...]
_FLIPPED: Final = {"=": "=", "<>": "<>", "<": ">", ">": "<", "<=": ">=", ">=": "<="}
_LISTS: Final = {"=": "in", "<>": "not in"}
_ANY: Final = {A_Expr_Kind.AEXPR_OP_ANY: "=", A_Expr_Kind.AEXPR_OP_ALL: "<>"}
"""`= ANY (ARRAY[…])` is IN, `<> ALL (ARRAY[…])` is NOT IN."""
_LIKES: Final = {"~~": "like", "!~~": "not like"}
_LIKED: Final = frozenset((name,) for name in _LIKES)
PATTERNS: Final = frozenset(_LIKES.values())
ALIKE: Final = frozenset({"=", "<>", *_LISTS.values()})
"""Operators at which a value is looked up, not put in an order."""
_BETWEEN: Final = (A_Expr_Kind.AEXPR_BETWEEN, A_Expr_Kind.AEXPR_BETWEEN_SYM)
_TAKEN: Final = frozenset((name,) for name in _FLIPPED)
_INT4: Final = 2**31


@frozen
class Place:
    """A value against a column: `parameter` is its number or None for a literal, `given` the literal's own text.

    `paths` lead to the nodes that hold it, more than one for a parameter that stands against its column again. Of a
    list's literals the first is a place, and `beside` are the others.
    """

    column: Column
    operator: str
    kind: Kind | None
    paths: tuple[Path, ...]
    parameter: int | None = None
    given: str | None = None
    turn: int = 1
    beside: tuple[str, ...] = ()

    @property
    def shown(self) -> str:
        """`g.home_city = …`, or with the parameter's number; the n-th of such places with its number, its `turn`."""
        value = f"${self.parameter}" if self.parameter else "…"
        if self.operator in _LISTS.values():
            value = f"({value}{f' and {len(self.beside)} more' if self.beside else ''})"
        return f"{self.column.shown} {self.operator} {value}" + (f" ({self.turn})" if self.turn > 1 else "")


@frozen
class Comparisons:
    """The places of a query, the pairs of columns that it holds equal, and columns whose values stand in conditions of
    another kind."""

    places: tuple[Place, ...]
    equal: tuple[tuple[tuple[int, int], tuple[int, int]], ...]
    others: tuple[str, ...] = ()


def comparisons(tree: ParseResult, facts: StandInFacts) -> Comparisons:
    """All places of one statement, in its own order."""
    names = Names(facts, tree)
    places: list[Place] = []
    others: dict[str, None] = {}
    equal: list[tuple[tuple[int, int], tuple[int, int]]] = []
    for message, path, levels in _walk(tree, names):
        kind = message.DESCRIPTOR.name
        if kind == "A_Expr":
            places += _compared(message, path, levels, names, facts)
            equal += _held_equal(message, levels, names)
            others |= dict.fromkeys(_of_another_kind(message, levels, names))
        elif kind == "JoinExpr" and levels:
            for name in strings(message.using_clause):
                same = [column.key for column in names.named(name, levels[-1])]
                equal += list(itertools.pairwise(same))
    return Comparisons(tuple(_counted(_together(places))), tuple(equal), tuple(others))


def with_value(tree: ParseResult, place: Place, value: Value) -> ParseResult:
    """A copy of the tree with this value at the place."""
    changed = ParseResult()
    changed.CopyFrom(tree)
    assert place.kind is not None
    for path in place.paths:
        node: Any = changed
        for field, index in path:
            node = getattr(node, field)
            node = node if index is None else node[index]
        _write(node, value, place.kind.form)
    return changed


def literal_value(node: Any) -> str | None:
    """The text of a literal's value; None for another node, and for NULL."""
    node = without_casts(node)
    if node.WhichOneof("node") != "a_const":
        return None
    constant = node.a_const
    which = constant.WhichOneof("val")
    if which == "ival":
        return str(constant.ival.ival)
    if which == "boolval":
        return "true" if constant.boolval.boolval else "false"
    return {"fval": constant.fval.fval, "sval": constant.sval.sval}.get(which)


def _write(node: Any, value: Value, form: str) -> None:
    """Make a node the value's literal; a cast around it stays, and a text stays one where the query wrote a text."""
    node = without_casts(node)
    was = node.a_const.WhichOneof("val") if node.WhichOneof("node") == "a_const" else None
    node.Clear()
    constant = node.a_const
    if form == "boolean" and was != "sval":
        constant.boolval.boolval = value.text == "true"
    elif form == "number" and was != "sval":
        if isinstance(value.at, int) and -_INT4 < value.at < _INT4:
            constant.ival.SetInParent()
            constant.ival.ival = value.at
        else:
            constant.fval.fval = value.text
    else:
        constant.sval.SetInParent()
        constant.sval.sval = value.text


def _walk(tree: Any, names: Names) -> Iterator[tuple[Any, Path, tuple[Level, ...]]]:
    """Every message with the way to it and the levels that it stands in, in the order of the fields."""
    stack: list[tuple[Any, Path, tuple[Level, ...]]] = [(tree, (), ())]
    while stack:
        message, path, levels = stack.pop()
        fields = LEVELS.get(message.DESCRIPTOR.name)
        if fields is not None:
            levels = (*levels, names.level(_read_by(message, fields)))
        yield message, path, levels
        below: list[tuple[Any, Path, tuple[Level, ...]]] = []
        for field, value in message.ListFields():
            if field.message_type is None:
                continue
            if field.is_repeated:
                below += [(item, (*path, (field.name, n)), levels) for n, item in enumerate(value)]
            else:
                below.append((value, (*path, (field.name, None)), levels))
        stack.extend(reversed(below))


def _read_by(statement: Any, fields: Sequence[str]) -> list[Any]:
    """The nodes of a statement's FROM, its own table among them."""
    from postgast.pg_query_pb2 import Node

    found: list[Any] = []
    for name in fields:
        held = getattr(statement, name)
        if statement.DESCRIPTOR.fields_by_name[name].is_repeated:
            found += held
        elif statement.HasField(name):
            found.append(held if held.DESCRIPTOR.name == "Node" else Node(range_var=held))
    return found


def _compared(message: Any, path: Path, levels: Sequence[Level], names: Names, facts: StandInFacts) -> Iterator[Place]:
    if message.kind in _BETWEEN:
        column = _column(message.lexpr, levels, names)
        ends = message.rexpr.list.items if message.rexpr.WhichOneof("node") == "list" else ()
        for n, (end, operator) in enumerate(zip(ends, (">=", "<="), strict=False)):
            yield from _place(column, operator, end, (*path, ("rexpr", None), ("list", None), ("items", n)), facts)
        return
    name = strings(message.name)
    if len(name) != 1:
        return
    listed = _listed(message, path, name[0])
    if listed is not None:
        yield from _of_list(_column(message.lexpr, levels, names), *listed, facts)
    if message.kind == A_Expr_Kind.AEXPR_LIKE and name[0] in _LIKES and prefix_of(literal_value(message.rexpr)):
        column = _column(message.lexpr, levels, names)
        yield from _place(column, _LIKES[name[0]], message.rexpr, (*path, ("rexpr", None)), facts)
    if message.kind != A_Expr_Kind.AEXPR_OP or name[0] not in _FLIPPED:
        return
    left, right = _column(message.lexpr, levels, names), _column(message.rexpr, levels, names)
    yield from _place(left, name[0], message.rexpr, (*path, ("rexpr", None)), facts)
    yield from _place(right, _FLIPPED[name[0]], message.lexpr, (*path, ("lexpr", None)), facts)


def _listed(message: Any, path: Path, name: str) -> tuple[str, list[Any], Path] | None:
    """The operator, the nodes and the way to the list of `IN (…)`, `= ANY (ARRAY[…])` and their opposites."""
    if message.kind == A_Expr_Kind.AEXPR_IN and name in _LISTS and message.rexpr.WhichOneof("node") == "list":
        return _LISTS[name], list(message.rexpr.list.items), (*path, ("rexpr", None), ("list", None), ("items", None))
    if _ANY.get(message.kind) != name:
        return None
    node, way = message.rexpr, (*path, ("rexpr", None))
    while node.WhichOneof("node") == "type_cast":
        node, way = node.type_cast.arg, (*way, ("type_cast", None), ("arg", None))
    if node.WhichOneof("node") != "a_array_expr":
        return None
    way = (*way, ("a_array_expr", None), ("elements", None))
    return _LISTS[name], list(node.a_array_expr.elements), way


def _of_list(column: Column | None, operator: str, nodes: list[Any], way: Path, facts: StandInFacts) -> Iterator[Place]:
    """Each parameter of a list, and the first of its literals for all of them."""
    given = [(n, text) for n, node in enumerate(nodes) if (text := literal_value(node)) is not None]
    for n, node in enumerate(nodes):
        for place in _place(column, operator, node, (*way[:-1], (way[-1][0], n)), facts):
            if place.parameter:
                yield place
            elif n == given[0][0]:
                yield replace(place, beside=tuple(text for _, text in given[1:]))


def prefix_of(pattern: str | None) -> str:
    """What a LIKE pattern's matches begin with; empty for one that begins with a wildcard, has none, or escapes one."""
    if pattern is None or "\\" in pattern:
        return ""
    ends = [at for sign in "%_" if (at := pattern.find(sign)) >= 0]
    return pattern[: min(ends)] if ends else ""


def patterns_beside(pattern: str, values: Iterable[str]) -> list[str]:
    """The pattern, and the same with the beginnings of these values in its prefix's place."""
    prefix = prefix_of(pattern)
    begins = dict.fromkeys([prefix, *(text[: len(prefix)] for text in values if len(text) >= len(prefix))])
    return [f"{begin}{pattern[len(prefix) :]}" for begin in begins if not set(begin) & set("%_\\")]


def _column(node: Any, levels: Sequence[Level], names: Names) -> Column | None:
    return names.column(node.column_ref, levels) if node.WhichOneof("node") == "column_ref" else None


def _place(column: Column | None, operator: str, node: Any, path: Path, facts: StandInFacts) -> Iterator[Place]:
    if column is None:
        return
    bare = without_casts(node)
    number = bare.param_ref.number if bare.WhichOneof("node") == "param_ref" else None
    given = literal_value(node)
    if given is not None or number:
        yield Place(column, operator, kind_of_column(column.column, facts), (path,), number, given)


def _of_another_kind(message: Any, levels: Sequence[Level], names: Names) -> Iterator[str]:
    """The column of a condition whose values are not varied: an array's text, a pattern, another operator."""
    name = strings(message.name)
    if message.kind in _BETWEEN or (message.kind == A_Expr_Kind.AEXPR_OP and name[-1:] in _TAKEN):
        return
    varied = message.kind == A_Expr_Kind.AEXPR_LIKE and name[-1:] in _LIKED and prefix_of(literal_value(message.rexpr))
    column = _column(message.lexpr, levels, names)
    if column is None or varied or _listed(message, (), name[-1] if name else "") is not None:
        return
    plain = literal_value(message.rexpr) is not None or without_casts(message.rexpr).WhichOneof("node") == "param_ref"
    if plain or message.rexpr.WhichOneof("node") == "list":
        yield column.shown


def _held_equal(
    message: Any, levels: Sequence[Level], names: Names
) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
    if message.kind == A_Expr_Kind.AEXPR_OP and strings(message.name) == ("=",):
        left, right = _column(message.lexpr, levels, names), _column(message.rexpr, levels, names)
        if left is not None and right is not None:
            yield left.key, right.key


def _counted(places: Iterable[Place]) -> Iterator[Place]:
    """The places, each with its turn among those that look the same."""
    seen: dict[str, int] = {}
    for place in places:
        seen[place.shown] = turn = seen.get(place.shown, 0) + 1
        yield place if turn == 1 else replace(place, turn=turn)


def _together(places: Sequence[Place]) -> Iterator[Place]:
    """A parameter once, with all its places; a parameter against different columns can't be varied by one of them."""
    seen: dict[int, list[Place]] = {}
    for place in places:
        if place.parameter is not None:
            seen.setdefault(place.parameter, []).append(place)
    for place in places:
        if place.parameter is None:
            yield place
            continue
        same = seen.pop(place.parameter, None)
        if same is None:
            continue
        paths = tuple(path for each in same for path in each.paths)
        plain = {(each.column.key, each.operator) for each in same}
        yield Place(place.column, place.operator, place.kind if len(plain) == 1 else None, paths, place.parameter)
