"""What a definition or a query from a file may be made of: node kinds of PostgreSQL's grammar, checked one by one.

A definition goes to the stand-in's server only as a tree in which every node is of a listed kind, printed anew.  Which
functions it calls matters less there than elsewhere: that server holds PostgreSQL's own functions and inert stubs, no
row of anybody's, and the role that is used may read no file and write none.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Any, Final

from rowreckon.sql.tree import every_message, kind_of

if TYPE_CHECKING:
    from postgast.pg_query_pb2 import ParseResult

EXPRESSION: Final = frozenset(
    [
        "A_Const",
        "Integer",
        "Float",
        "Boolean",
        "String",
        "BitString",
        "ColumnRef",
        "TypeCast",
        "TypeName",
        "A_Expr",
        "BoolExpr",
        "NullTest",
        "BooleanTest",
        "FuncCall",
        "A_ArrayExpr",
        "CaseExpr",
        "CaseWhen",
        "CoalesceExpr",
        "MinMaxExpr",
        "CollateClause",
        "RowExpr",
        "A_Indirection",
        "A_Indices",
        "SQLValueFunction",
        "List",
        "NamedArgExpr",
    ]
)
"""An expression over one row: no query inside, no value from elsewhere."""

QUERY: Final = EXPRESSION | frozenset(
    [
        "SelectStmt",
        "ResTarget",
        "RangeVar",
        "JoinExpr",
        "Alias",
        "SubLink",
        "SortBy",
        "WindowDef",
        "CommonTableExpr",
        "WithClause",
        "RangeSubselect",
        "RangeFunction",
        "GroupingSet",
        "GroupingFunc",
        "A_Star",
        "RangeTableSample",
        "LockingClause",
        "RangeTableFunc",
        "RangeTableFuncCol",
        "XmlExpr",
        "XmlSerialize",
    ]
)

STATEMENT: Final = QUERY | frozenset(
    [
        "ParamRef",
        "InsertStmt",
        "UpdateStmt",
        "DeleteStmt",
        "MergeStmt",
        "MergeWhenClause",
        "OnConflictClause",
        "InferClause",
        "SetToDefault",
        "MultiAssignRef",
        "ReturningClause",
        "ReturningOption",
        "IndexElem",
    ]
)

_ALWAYS: Final = frozenset({"ParseResult", "RawStmt", "Node"})


class NotPermitted(ValueError):
    """The text is not what it should be; `reason` says so in words that follow 'it'."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def one_statement(text: str, kind: str, permitted: Collection[str]) -> tuple[ParseResult, Any]:
    """The tree of a text that has to be one statement of this kind (create_stmt, …), and the statement in it.

    Raises NotPermitted where it is another, or holds a part that is not permitted.
    """
    from rowreckon.sql.grammar import NotSql, parse

    try:
        tree = parse(text)
    except NotSql as error:
        raise NotPermitted(f"can't be read as SQL ({error.reason})") from None
    if len(tree.stmts) != 1 or tree.stmts[0].stmt.WhichOneof("node") != kind:
        raise NotPermitted("is another statement than it should be")
    check_parts(tree, permitted)
    return tree, getattr(tree.stmts[0].stmt, kind)


def check_parts(tree: ParseResult, permitted: Collection[str]) -> None:
    """Raises NotPermitted where a tree holds a part of another kind than these."""
    allowed = _ALWAYS | frozenset(permitted)
    for message in every_message(tree):
        if kind_of(message) not in allowed:
            raise NotPermitted(f"holds a part that is not taken over ({kind_of(message)})")


def as_text(tree: ParseResult) -> str:
    """The tree printed anew. Raises NotPermitted where it can't be printed so that it stays the same."""
    from rowreckon.sql.grammar import NotSql, printed

    try:
        return printed(tree)
    except NotSql as error:
        raise NotPermitted(f"can't be printed anew ({error.reason})") from None
