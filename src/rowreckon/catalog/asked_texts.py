"""The expressions of a request: read by PostgreSQL's grammar, checked, printed anew, each with all that it names."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING, Final

from rowreckon.sql.masking import MASKED

from .request import COMPARISONS, NotAsked, Trust, WantedText
from .reviewed import TYPES

if TYPE_CHECKING:
    from google.protobuf.message import Message
    from postgast.pg_query_pb2 import Node

    from rowreckon.sql.askable import Uses
    from rowreckon.sql.grammar import NotSql

MOST_CHARACTERS: Final = 20_000
"""Longest expression that is asked about: longer ones are lists of constants that tell nothing more."""
UNREADABLE: Final = "it can't be read as one SQL expression"
LITERAL: Final = "it holds a literal, and those are masked"
_ALL_COMPARISONS: Final = (*COMPARISONS, "<>")


class AskedTexts:
    """Collects the expressions; what may not be asked is collected too, with the reason.

    A literal that was masked is never asked about: nobody knows what stood there. `masked` takes all literals for such.
    """

    def __init__(self, trust: Trust, *, masked: bool = False) -> None:
        self.trust = trust
        self._masked = masked
        self.texts: list[WantedText] = []
        self.not_asked: dict[NotAsked, None] = {}
        self._types = TYPES if trust == "file" else None
        # plans of one list say the same again and again: each text is read once, and checked and printed once
        self._trees: dict[str, Node | NotSql] = {}
        self._checked: dict[tuple[bytes, frozenset[str], str | None], tuple[str, Uses] | str] = {}
        self._places: dict[WantedText, int] = {}

    def condition(self, plan: int, text: str, aliases: Collection[str], own_alias: str | None) -> int | None:
        """The place of a condition in `texts` (from 1); None where it is not asked, which is then on record."""
        node = self._read(plan, text, own_alias or " and ".join(sorted(aliases)))
        return None if node is None else self._add(plan, text, node, aliases, own_alias)

    def column(self, plan: int, text: str, alias: str) -> int | None:
        """The same for an output column of a scan; a plain column is none that anything is done with."""
        node = self._read(plan, text, alias)
        if node is None:
            return None
        plain = node.WhichOneof("node") == "column_ref"
        return self._add(plan, text, node, (alias,), alias, bare=plain)

    def comparison(
        self, plan: int, text: str, sides: tuple[str, str], own_alias: str | None
    ) -> tuple[tuple[int, int], tuple[str, str], str | None, int] | None:
        """A comparison of two scans' columns, given with the aliases of its sides.

        Gives the places of both sides, the casts around their plain columns, the operator's schema, and the place of
        the whole; None where it is not asked.
        """
        node = self._read(plan, text, " and ".join(sides))
        if node is None or node.WhichOneof("node") != "a_expr":
            return None
        whole = self._add(plan, text, node, sides, own_alias)
        if whole is None:
            return None
        left = self._add(plan, text, node.a_expr.lexpr, sides[:1], own_alias, compared=True)
        right = self._add(plan, text, node.a_expr.rexpr, sides[1:], own_alias)
        if left is None or right is None:
            return None
        names = node.a_expr.name
        schema = names[0].string.sval if len(names) > 1 else None
        casts = self._casts(node.a_expr.lexpr), self._casts(node.a_expr.rexpr)
        return (left, right), casts, "pg_catalog" if self.trust == "file" else schema, whole

    def _read(self, plan: int, text: str, alias: str) -> Node | None:
        from rowreckon.sql.expression import read_expression
        from rowreckon.sql.grammar import NotSql

        if len(text) > MOST_CHARACTERS:
            self.refuse(plan, text, alias, f"it is longer than {MOST_CHARACTERS:,} characters")
            return None
        if text not in self._trees:
            try:
                self._trees[text] = read_expression(text).node
            except NotSql as error:
                self._trees[text] = error
        found = self._trees[text]
        if isinstance(found, NotSql):
            self.refuse(plan, text, alias)
            return None
        if any(self._masked or MASKED in literal for literal in _literals(found)):
            self.refuse(plan, text, alias, LITERAL)
            return None
        return found

    def refuse(self, plan: int, text: str, alias: str, why: str = UNREADABLE) -> None:
        """Put on record that this goes unasked."""
        self.not_asked[NotAsked(plan=plan, alias=alias, text=text[:MOST_CHARACTERS], why=why)] = None

    def _add(
        self,
        plan: int,
        text: str,
        node: Node,
        aliases: Collection[str],
        own_alias: str | None,
        *,
        bare: bool = False,
        compared: bool = False,
    ) -> int | None:
        found = self._check(node, aliases, own_alias)
        if isinstance(found, str):
            self.refuse(plan, text, own_alias or " and ".join(sorted(aliases)), found)
            return None
        sql, uses = found
        wanted = _wanted(plan, sql, uses, bare=bare, compared=compared)
        place = self._places.get(wanted)
        if place is None:
            self.texts.append(wanted)
            place = self._places[wanted] = len(self.texts)
        return place

    def _check(self, node: Node, aliases: Collection[str], own_alias: str | None) -> tuple[str, Uses] | str:
        """The expression as it is printed and what it uses; a sentence where it is not asked."""
        from rowreckon.sql.askable import NotAskable, checked
        from rowreckon.sql.expression import printed_expression
        from rowreckon.sql.grammar import NotSql

        key = (node.SerializeToString(deterministic=True), frozenset(aliases), own_alias)
        if key not in self._checked:
            try:
                found = checked(node, aliases, own_alias=own_alias, strict=self._types)
                self._checked[key] = printed_expression(found.node), found.uses
            except NotAskable as error:
                self._checked[key] = error.reason
            except NotSql:
                self._checked[key] = "it can't be printed as it was read"
        return self._checked[key]

    def _casts(self, node: Node) -> str:
        """The casts around a plain column as they are printed, `::text`; nothing around anything else."""
        from rowreckon.sql.askable import casts_of, checked
        from rowreckon.sql.expression import printed_expression

        casts = ""
        for cast in casts_of(node):
            alone = type(cast)()
            alone.CopyFrom(cast)
            alone.type_cast.arg.a_const.isnull = True
            printed = printed_expression(checked(alone, (), strict=self._types).node)
            casts += printed.removeprefix("NULL")
        return casts


def _literals(node: Node) -> Iterator[str]:
    """The constants in it, but for TRUE, FALSE, NULL and what belongs to a type: `varchar(20)`."""
    waiting: list[Message] = [node]
    while waiting:
        message = waiting.pop()
        for field, value in message.ListFields():
            if field.name in ("ival", "fval", "sval", "bsval") and field.containing_type.name == "A_Const":
                yield str(value)
            elif field.message_type is not None and field.name != "typmods":
                waiting.extend(value if field.is_repeated else (value,))


def _wanted(plan: int, sql: str, uses: Uses, *, bare: bool, compared: bool) -> WantedText:
    comparisons = {(name, 2) for name in _ALL_COMPARISONS} if compared else set()
    return WantedText(
        plan=plan,
        sql=sql,
        functions=tuple(sorted(uses.functions)),
        operators=tuple(sorted(uses.operators | comparisons)),
        types=tuple(sorted(uses.types)),
        enums=tuple(sorted(uses.enums, key=str)),
        collations=tuple(sorted(uses.collations)),
        columns=() if bare else tuple(sorted(uses.columns)),
    )
