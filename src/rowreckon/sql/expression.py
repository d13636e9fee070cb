"""One expression as EXPLAIN prints it (a condition, an output column), read into a tree of PostgreSQL's grammar.

EXPLAIN has notations that are no SQL: references to subplans, parameters that it numbers from 0, windows that it does
not spell out.  They are found among the scanner's tokens, never in the text, since only the scanner knows where a
literal ends; each becomes a parameter `$n` of the tree and entry n (from 1) of `notations`.  A tree holds no other
parameters, so nothing in a text can pass for a notation.

Importing this loads the library: import it only where SQL is really to be read.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from postgast.pg_query_pb2 import BoolExprType, LimitOption, Node, ParseResult, SetOperation

from rowreckon.frozen import frozen

from .grammar import NotSql, Token, parse, printed, scan

NotationKind = Literal["subplan", "parameter", "test", "cursor", "partial"]

_SELECT: Final = "SELECT "


@frozen
class Notation:
    """One notation of EXPLAIN's own, and where it stands in the text (characters).

    `subplan`   a subplan's result: `(SubPlan 1)`, `(hashed SubPlan 2).col1`, `EXISTS(SubPlan 1)`, `(rescan SubPlan 1)`,
                `(alternatives: SubPlan 1 or hashed SubPlan 2)`; `plans` are the names in it, such as `SubPlan 1`
    `parameter` `$0`, `$1`: a value from elsewhere, of the caller or of another node
    `test`      the ANY or ALL before a subplan's test, `(ANY (a = (hashed SubPlan 1).col1))`; in the tree it is the
                left side of `$n = ANY (…)`
    `cursor`    `CURRENT OF name`
    `partial`   the word PARTIAL before an aggregate; it is not in the tree, and its number neither
    """

    kind: NotationKind
    text: str
    start: int
    end: int
    plans: tuple[str, ...] = ()


@frozen
class Expression:
    """An expression that was read: `node` is the tree, `notations` what its parameters stand for."""

    text: str
    node: Node
    notations: tuple[Notation, ...]
    _starts: tuple[tuple[int, int], ...] = ()
    tokens: tuple[Token, ...] = ()
    """The tokens of `text`."""

    def notation(self, number: int) -> Notation:
        """What parameter `$number` of the tree stands for."""
        return self.notations[number - 1]

    def place(self, location: int) -> int:
        """The character of `text` at a `location` of the tree (which counts bytes of what was parsed)."""
        at = bisect_right(self._starts, location, key=lambda pair: pair[0]) - 1
        begun, start = self._starts[max(at, 0)]
        size = max(location - begun, 0)
        return start + len(self.text[start : start + size].encode()[:size].decode(errors="ignore"))


def read_expression(text: str) -> Expression:
    """Read one expression.  Raises NotSql for everything else: comments, `;`, a list, an alias, a clause after it."""
    tokens = scan(text)
    for token in tokens:
        if token.kind == "comment" or token.text == ";":
            raise NotSql("it is no single expression", token.start)
    if not tokens or tokens[0].says("all", "distinct"):
        raise NotSql("it is no expression", 0)
    sql, notations, starts = _as_sql(text, tokens)
    return Expression(text, only_target(parse(sql)), notations, starts, tokens)


def only_target(tree: ParseResult) -> Node:
    """The one expression of a plain `SELECT expression`.  Raises NotSql where the statement is anything else."""
    if len(tree.stmts) != 1 or tree.stmts[0].stmt.WhichOneof("node") != "select_stmt":
        raise NotSql("it is no single expression")
    select = tree.stmts[0].stmt.select_stmt
    there = {field.name for field, _ in select.ListFields()}
    plain = select.op == SetOperation.SETOP_NONE and select.limit_option == LimitOption.LIMIT_OPTION_DEFAULT
    if not plain or there - {"target_list", "op", "limit_option"} or len(select.target_list) != 1:
        raise NotSql("it is no single expression")
    target = select.target_list[0].res_target
    if target.name or len(target.indirection):
        raise NotSql("it is no single expression")
    return target.val


def printed_expression(node: Node) -> str:
    """The tree as SQL text, on one reading with every setting of `standard_conforming_strings`.

    It is read again and gives the same tree.  Raises NotSql where it does not.
    """
    tree = parse(f"{_SELECT}1")
    tree.stmts[0].stmt.select_stmt.target_list[0].res_target.val.CopyFrom(node)
    text = printed(tree)
    if not text.startswith(_SELECT) or only_target(parse(text)).WhichOneof("node") != node.WhichOneof("node"):
        raise NotSql("the expression can't be printed so that it stays the same")
    return text.removeprefix(_SELECT)


def conjuncts(node: Node) -> list[Node]:
    """The parts that AND joins at the top of the tree, in their order."""
    found: list[Node] = []
    waiting: list[Node] = [node]
    while waiting:
        here = waiting.pop()
        if here.WhichOneof("node") == "bool_expr" and here.bool_expr.boolop == BoolExprType.AND_EXPR:
            waiting.extend(reversed(here.bool_expr.args))
        else:
            found.append(here)
    return found


@dataclass(slots=True)
class _Reader:
    """The tokens, and where we are; notations found so far, each with the SQL that takes its place."""

    text: str
    tokens: Sequence[Token]
    at: int = 0

    def word(self, ahead: int, *words: str) -> bool:
        """Is the token so far ahead one of these unquoted words, in exactly this spelling?"""
        token = self.token(ahead)
        return token is not None and token.kind == "word" and token.text in words

    def sign(self, ahead: int, sign: str) -> bool:
        token = self.token(ahead)
        return token is not None and token.kind == "symbol" and token.text == sign

    def token(self, ahead: int) -> Token | None:
        place = self.at + ahead
        return self.tokens[place] if 0 <= place < len(self.tokens) else None

    def found(self, kind: NotationKind, length: int, plans: Sequence[str] = ()) -> tuple[Notation, int]:
        first, last = self.tokens[self.at], self.tokens[self.at + length - 1]
        body = self.text[first.start : last.end]
        return Notation(kind, body, first.start, last.end, tuple(plans)), length


_Found = tuple[Notation, int] | None


def _as_sql(text: str, tokens: Sequence[Token]) -> tuple[str, tuple[Notation, ...], tuple[tuple[int, int], ...]]:
    """`SELECT` and the text with its notations replaced; the notations; the bytes and characters where pieces begin."""
    reader = _Reader(text, tokens)
    pieces = [_SELECT]
    size = len(_SELECT)
    starts = [(0, 0)]
    notations: list[Notation] = []
    copied = 0

    def add(piece: str, start: int) -> None:
        nonlocal size
        starts.append((size, start))
        pieces.append(piece)
        size += len(piece.encode())

    while reader.at < len(tokens):
        found = next((f for way in _WAYS if (f := way(reader)) is not None), None)
        if found is None:
            reader.at += 1
            continue
        notation, length = found
        add(text[copied : notation.start], copied)
        if notation.kind == "partial":
            add(" ", notation.start)
        else:
            notations.append(notation)
            add(_instead(notation, len(notations)), notation.start)
        copied = notation.end
        reader.at += length
    add(text[copied:], copied)
    return "".join(pieces), tuple(notations), tuple(starts)


def _instead(notation: Notation, number: int) -> str:
    if notation.kind == "test":
        return f" ${number} = {notation.text} "
    return f" (${number}) " if notation.kind in ("subplan", "cursor") else f" ${number} "


def _plan_name(reader: _Reader, ahead: int) -> tuple[str, int] | None:
    """A plan's name from that token on, as `SubPlan 1` or `InitPlan 1 (returns $0,$1)`, and how many tokens it has."""
    begun = ahead
    if reader.word(ahead, "hashed", "rescan", "reset"):
        ahead += 1
    number = reader.token(ahead + 1)
    if not reader.word(ahead, "SubPlan", "InitPlan") or number is None or number.kind != "number":
        return None
    first = reader.token(ahead)
    assert first is not None
    name = f"{first.text} {number.text}"
    ahead += 2
    if reader.sign(ahead, "(") and reader.word(ahead + 1, "returns"):
        ahead += 2
        while (token := reader.token(ahead)) is not None and (token.kind == "parameter" or token.text == ","):
            ahead += 1
        if not reader.sign(ahead, ")"):
            return None
        ahead += 1
    return name, ahead - begun


def _subplan(reader: _Reader) -> _Found:
    """`(SubPlan 1)`, `(hashed SubPlan 1).col1`, `EXISTS(SubPlan 1)`, `ARRAY(SubPlan 1)`."""
    before = 1 if reader.word(0, "EXISTS", "ARRAY") else 0
    if not reader.sign(before, "("):
        return None
    named = _plan_name(reader, before + 1)
    if named is None or not reader.sign(before + 1 + named[1], ")"):
        return None
    length = before + named[1] + 2
    column = reader.token(length + 1)
    if reader.sign(length, ".") and column is not None and column.kind == "word" and column.text.startswith("col"):
        length += 2
    return reader.found("subplan", length, (named[0],))


def _alternatives(reader: _Reader) -> _Found:
    """`(alternatives: SubPlan 1 or hashed SubPlan 2)`."""
    if not (reader.sign(0, "(") and reader.word(1, "alternatives", "ALTERNATIVES") and reader.sign(2, ":")):
        return None
    plans: list[str] = []
    ahead = 3
    while (named := _plan_name(reader, ahead)) is not None:
        plans.append(named[0])
        ahead += named[1]
        if reader.sign(ahead, ")"):
            return reader.found("subplan", ahead + 1, plans)
        if not reader.word(ahead, "or"):
            return None
        ahead += 1
    return None


def _parameter(reader: _Reader) -> _Found:
    token = reader.token(0)
    return reader.found("parameter", 1) if token is not None and token.kind == "parameter" else None


def _test(reader: _Reader) -> _Found:
    """ANY or ALL where an expression begins: in SQL these words stand behind an operator only."""
    if not (reader.word(0, "ANY", "ALL") and reader.sign(1, "(")):
        return None
    before = reader.token(-1)
    begins = before is None or before.text in ("(", ",") or before.says("and", "or", "not", "when", "then", "else")
    return reader.found("test", 1) if begins else None


def _cursor(reader: _Reader) -> _Found:
    if not (reader.word(0, "CURRENT") and reader.word(1, "OF")):
        return None
    name = reader.token(2)
    known = name is not None and name.kind in ("word", "name", "parameter")
    return reader.found("cursor", 3) if known else None


def _window(reader: _Reader) -> _Found:
    """`OVER (?)`: the question mark stands for a window that EXPLAIN does not spell out."""
    if reader.word(-2, "OVER") and reader.sign(-1, "(") and reader.sign(0, "?") and reader.sign(1, ")"):
        return reader.found("partial", 1)
    return None


def _partial(reader: _Reader) -> _Found:
    name = reader.token(1)
    named = name is not None and name.kind in ("word", "name")
    calls = reader.sign(2, "(") or reader.sign(2, ".")
    return reader.found("partial", 1) if reader.word(0, "PARTIAL") and named and calls else None


_WAYS: Final[tuple[Callable[[_Reader], _Found], ...]] = (
    _subplan,
    _alternatives,
    _parameter,
    _test,
    _cursor,
    _window,
    _partial,
)
