"""What kind of statement a text is, and what running it would need, by PostgreSQL's own grammar.

This names what is wrong before anything is sent.  What a statement may execute is judged by `judging`, from the
catalogs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from rowreckon.server.connecting.guards import guarded
from rowreckon.server.lists.temporary import made_temporary
from rowreckon.sql.tree import every_message, inner, kind_of

if TYPE_CHECKING:
    from google.protobuf.message import Message
    from postgast.pg_query_pb2 import ParseResult

StatementKind = Literal["query", "write", "execute", "set", "reset", "prepare", "deallocate", "unfit"]

_WRITES: Final = {"InsertStmt": "INSERT", "UpdateStmt": "UPDATE", "DeleteStmt": "DELETE", "MergeStmt": "MERGE"}

TEMPORARY = (
    "each query of a list gets a transaction of its own, so no temporary table is there for those after it. List the"
    " queries on a table that stays (CREATE UNLOGGED TABLE). Or audit the plans that are taken in the session that"
    " fills the temporary one"
)
"""Why a list's temporary tables are of no use to it, and what to do."""


@dataclass(frozen=True, slots=True)
class Statement:
    """A classified statement.

    `reason` says why it can't be run, or can't without permission; `subject` is the setting's or the prepared
    statement's name (None: all of them); `parameters` whether it holds `$1` and the like; `printed` is a SET as it is
    sent, printed from its tree as SET LOCAL; `tree` what the statement was read into.
    """

    kind: StatementKind
    reason: str | None = None
    subject: str | None = None
    parameters: bool = False
    printed: str | None = None
    tree: Message | None = None


def classify(text: str) -> Statement:
    """Classify one statement. Never raises: what can't be read is unfit, with the reason."""
    from rowreckon.sql.grammar import NotSql
    from rowreckon.sql.statements import single_statement

    try:
        found, whole = single_statement(text)
        return _classified(found, whole, text)
    except NotSql as error:
        return Statement("unfit", f"it can't be read as SQL: {error.reason}")


def written_by(tree: Message) -> str | None:
    """What a query changes or locks, in words; None for one that only reads."""
    for message in every_message(tree):
        kind = kind_of(message)
        if kind in _WRITES:
            return f"{_WRITES[kind]} changes rows" if message is tree else f"the query changes rows by {_WRITES[kind]}"
        if kind == "IntoClause":
            return "SELECT INTO creates a table"
        if kind == "LockingClause":
            return "FOR UPDATE and its kin lock rows"
    return None


def _classified(tree: Any, whole: ParseResult, text: str) -> Statement:
    kind = kind_of(tree)
    if kind == "SelectStmt" or kind in _WRITES:
        reason = written_by(tree)
        return Statement("write" if reason else "query", reason, parameters=_has_parameters(tree), tree=tree)
    if kind == "CreateTableAsStmt" and _makes_table_from_query(tree):
        return Statement("write", "CREATE TABLE AS creates a table", parameters=_has_parameters(tree), tree=tree)
    if kind == "VariableSetStmt":
        return _setting(tree, whole)
    if kind == "PrepareStmt":
        body = inner(tree.query)
        reason = None if body is None else _classified(body, whole, text).reason
        return Statement("prepare", reason, subject=tree.name, tree=tree)
    if kind == "ExecuteStmt":
        return Statement("execute", subject=tree.name, tree=tree)
    if kind == "DeallocateStmt":
        return Statement("deallocate", subject=None if tree.isall else tree.name, tree=tree)
    if kind == "ConstraintsSetStmt":
        return Statement("unfit", "SET CONSTRAINTS would lift a guard of this tool", tree=tree)
    return Statement("unfit", _why_unfit(tree, kind, text), tree=tree)


def _setting(tree: Any, whole: ParseResult) -> Statement:
    from postgast.pg_query_pb2 import VariableSetKind

    from rowreckon.sql.grammar import printed

    name = tree.name.lower()
    if tree.kind == VariableSetKind.VAR_RESET_ALL:
        return Statement("reset", tree=tree)
    verb = "RESET" if tree.kind == VariableSetKind.VAR_RESET else "SET"
    if guarded(name):
        return Statement("unfit", f"{verb} {name} would lift a guard of this tool", tree=tree)
    if tree.kind == VariableSetKind.VAR_RESET:
        return Statement("reset", subject=name, tree=tree)
    if tree.kind not in (VariableSetKind.VAR_SET_VALUE, VariableSetKind.VAR_SET_DEFAULT):
        return Statement("unfit", f"SET {name} gives no value", tree=tree)
    tree.is_local = True
    return Statement("set", subject=name, printed=printed(whole), tree=tree)


def _makes_table_from_query(tree: Any) -> bool:
    """Whether it is CREATE TABLE … AS with a query, whose plan can be audited like any other."""
    from postgast.pg_query_pb2 import ObjectType

    body = inner(tree.query)
    return tree.objtype == ObjectType.OBJECT_TABLE and body is not None and kind_of(body) == "SelectStmt"


def _has_parameters(tree: Message) -> bool:
    return any(kind_of(message) == "ParamRef" for message in every_message(tree))


def _why_unfit(tree: Any, kind: str, text: str) -> str:
    if made_temporary(tree) is not None:
        return f"a temporary table has no plan of its own; {TEMPORARY}"
    word = next(_words(text), "").upper()[:40]
    if kind == "ExplainStmt":
        return "the statement is an EXPLAIN already: list the query alone"
    if kind == "TransactionStmt":
        return f"{word}: each query gets a transaction of its own, which is rolled back"
    return f"{word} has no plan that could be audited"


def _words(text: str) -> Iterator[str]:
    from rowreckon.sql.grammar import scan

    return (token.text for token in scan(text) if token.kind != "comment")
