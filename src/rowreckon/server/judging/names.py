"""Every name in a statement by which something may be executed, found by walking its whole tree.

Where a name stands does not matter: each message of the grammar that can name a function, an operator, a type or a
relation is looked at, wherever it is.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from rowreckon.sql.tree import every_message, kind_of, strings

if TYPE_CHECKING:
    from google.protobuf.message import Message

Name = tuple[str | None, str]
"""Schema (None: found by the search path) and name."""

_WRITING: Final = ("InsertStmt", "UpdateStmt", "DeleteStmt", "MergeStmt")


@dataclass(slots=True)
class Names:
    """What one or more statements name, and of which `kinds` they are.

    `columns` are the parts of all references to columns; `attributes` are those of them that may be functions of a row
    (`guest.noted` for `noted(guest)`); `all_columns` says that some row is taken as a whole, so that any column may be
    meant.
    """

    functions: set[Name] = field(default_factory=set)
    attributes: set[Name] = field(default_factory=set)
    operators: set[Name] = field(default_factory=set)
    types: set[Name] = field(default_factory=set)
    relations: set[Name] = field(default_factory=set)
    written: set[Name] = field(default_factory=set)
    columns: set[str] = field(default_factory=set)
    all_columns: bool = False
    kinds: set[str] = field(default_factory=set)

    def add(self, other: Names) -> None:
        """Take over what another text names."""
        self.functions |= other.functions
        self.attributes |= other.attributes
        self.operators |= other.operators
        self.types |= other.types
        self.relations |= other.relations
        self.written |= other.written
        self.columns |= other.columns
        self.all_columns = self.all_columns or other.all_columns
        self.kinds |= other.kinds


def names_of(text: str) -> Names:
    """The names in one or more statements. Raises NotSql where the text can't be read."""
    from rowreckon.sql.grammar import parse, scan

    found = Names()
    tree = parse(text)
    for raw in tree.stmts:
        which = raw.stmt.WhichOneof("node")
        found.kinds.add(kind_of(getattr(raw.stmt, which)) if which else "nothing")
    for message in every_message(tree):
        look = _LOOKS.get(kind_of(message))
        if look is not None:
            look(found, message)
    _whole_rows(found, tree)
    # what is a key word with brackets in the newest grammar is a function's name for an older server
    last = None
    for token in scan(text):
        if token.text == "(" and last is not None:
            found.functions.add((None, last))
        last = token.text.lower() if token.kind == "word" and token.keyword else None
    return found


def _named(nodes: object) -> Name | None:
    """The last two parts of a name."""
    parts = strings(nodes)
    if not parts:
        return None
    return (parts[-2] if len(parts) > 1 else None, parts[-1])


def _add(names: set[Name], nodes: object) -> None:
    name = _named(nodes)
    if name is not None:
        names.add(name)


def _function(found: Names, message: Any) -> None:
    _add(found.functions, message.funcname)
    # type(value) is a cast
    _add(found.types, message.funcname)


def _operators(*implied: str) -> Any:
    def look(found: Names, message: Any) -> None:
        found.operators.update((None, name) for name in implied)

    return look


def _expression(found: Names, message: Any) -> None:
    name = _named(message.name)
    if name is None:
        return
    found.operators.add(name)
    if "BETWEEN" in name[1]:
        found.operators.update((None, sign) for sign in ("<", "<=", ">", ">="))
    # IN, NOT IN, IS DISTINCT FROM and NULLIF print one operator and may take its negator
    found.operators.update((None, sign) for sign in ("=", "<>") if name[1] in ("=", "<>"))


def _sublink(found: Names, message: Any) -> None:
    _add(found.operators, message.oper_name)
    if not message.oper_name:
        found.operators.add((None, "="))


def _join(found: Names, message: Any) -> None:
    if message.is_natural or message.using_clause:
        found.operators.add((None, "="))
        found.all_columns = found.all_columns or bool(message.is_natural)
        found.columns.update(strings(message.using_clause))


def _case(found: Names, message: Any) -> None:
    if message.HasField("arg"):
        found.operators.add((None, "="))


def _type(found: Names, message: Any) -> None:
    _add(found.types, message.names)


def _relation(found: Names, message: Any) -> None:
    if message.relname:
        found.relations.add((message.schemaname or None, message.relname))


def _written(found: Names, message: Any) -> None:
    relation = message.relation
    found.written.add((relation.schemaname or None, relation.relname))


def _column(found: Names, message: Any) -> None:
    fields = message.fields if kind_of(message) == "ColumnRef" else message.indirection
    parts = strings(fields)
    if len(parts) < len(fields):
        found.all_columns = found.all_columns or any(node.HasField("a_star") for node in fields)
    found.columns.update(parts)
    # guest.noted may call noted(guest)
    if kind_of(message) == "A_Indirection" or len(parts) > 1:
        found.attributes.update((None, part) for part in parts)


def _whole_rows(found: Names, tree: Message) -> None:
    """A table's own name or alias among the columns is its whole row."""
    messages: list[Any] = list(every_message(tree))
    tables = {name for _, name in found.relations}
    for message in messages:
        if kind_of(message) == "Alias":
            tables.add(message.aliasname)
            if message.colnames:
                found.all_columns = True
        elif kind_of(message) == "CommonTableExpr":
            tables.add(message.ctename)
    if tables & found.columns:
        found.all_columns = True


def _sample(found: Names, message: Any) -> None:
    _add(found.functions, message.method)


def _sorting(found: Names, message: Any) -> None:
    _add(found.operators, message.use_op)


_LOOKS: Final[dict[str, Any]] = {
    "FuncCall": _function,
    "A_Expr": _expression,
    "SubLink": _sublink,
    "JoinExpr": _join,
    "CaseExpr": _case,
    "SortBy": _sorting,
    "TypeName": _type,
    "RangeVar": _relation,
    "RangeTableSample": _sample,
    "ColumnRef": _column,
    "A_Indirection": _column,
    **dict.fromkeys(_WRITING, _written),
}
