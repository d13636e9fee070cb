"""One statement of a file, read by the grammar and applied to the schema that the files have told so far."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, Final

from postgast.pg_query_pb2 import TransactionStmtKind

from rowreckon.sql.grammar import NotSql, parse
from rowreckon.sql.tree import every_message, kind_of, strings

from .alter import alter_table
from .drops import drop, rename, set_schema
from .functions import alter_function, alter_statistics, create_function, create_statistics
from .indexes import create_index
from .restore import ATTRIBUTE, RELATION, restore
from .schema import Schema
from .tables import create_table, create_table_as, create_view
from .working import CannotApply

_PASSED_OVER: Final = frozenset(
    {
        *("insert", "update", "delete", "merge", "copy", "truncate", "values", "table", "comment", "grant", "revoke"),
        *("begin", "start", "commit", "end", "savepoint", "release", "lock", "analyze", "vacuum", "reindex", "cluster"),
        *("refresh", "notify", "listen", "unlisten", "security", "import", "explain", "show", "reassign", "discard"),
        *("checkpoint", "load", "declare", "fetch", "move", "close", "prepare", "deallocate"),
    }
)
"""The first words of statements that say nothing of a schema: rows, comments, rights, transactions, upkeep."""
_TAKING_BACK: Final = frozenset({TransactionStmtKind.TRANS_STMT_ROLLBACK, TransactionStmtKind.TRANS_STMT_ROLLBACK_TO})
_HARMLESS: Final = frozenset({"setval", "nextval", "currval", "now", "version", "count", "set_config"})
_LONGEST_PATH: Final = 100
_WORDS: Final = re.compile(r"[^\W\d][\w$]*")

Handler = Callable[[Schema, Any, str], None]


def needs_reading(words: tuple[str, ...]) -> bool:
    """Whether a statement that begins with these words may say something of a schema."""
    return not words or words[0] not in _PASSED_OVER


def apply(schema: Schema, statement: str, place: str) -> None:
    """Read a statement and apply it. Raises CannotApply, after which the schema is as far as it could be applied."""
    try:
        tree = parse(statement)
    except NotSql:
        schema.doubt(_names(statement))
        raise CannotApply("PostgreSQL's grammar can't read it") from None
    for each in tree.stmts:
        which = each.stmt.WhichOneof("node")
        value = getattr(each.stmt, which) if which else None
        if value is not None:
            _apply(schema, which, value, statement, place)


def _apply(schema: Schema, which: str, value: Any, statement: str, place: str) -> None:
    handler = _HANDLERS.get(which)
    if handler is not None:
        try:
            handler(schema, value, place)
        except CannotApply:
            schema.doubt(_names(statement))
            raise
    elif which == "create_schema_stmt":
        _create_schema(schema, value, statement, place)
    elif which in ("do_stmt", "call_stmt", "execute_stmt"):
        _doubt_code(schema, statement, whole=which == "execute_stmt")
        raise CannotApply("what it runs is unknown, so the tables that it may change are not relied on")
    elif which == "transaction_stmt" and value.kind in _TAKING_BACK:
        schema.doubt(None)
        raise CannotApply("what it takes back is unknown, so no index counts as absent")


def _create_schema(schema: Schema, value: Any, statement: str, place: str) -> None:
    """CREATE SCHEMA, whose own statements make things in it."""
    path = schema.search_path
    schema.search_path = [value.schemaname or value.authrole.rolename, *path]
    try:
        for element in value.schema_elts:
            which = element.WhichOneof("node")
            _apply(schema, which, getattr(element, which), statement, place)
    finally:
        schema.search_path = path


def _select(schema: Schema, value: Any, place: str) -> None:
    """A SELECT for what its functions do: the search path, statistics; others may change anything."""
    for message in every_message(value):
        if kind_of(message) != "FuncCall":
            continue
        names = strings(message.funcname)
        arguments = message.args
        if names[-1:] == ("set_config",):
            _set_config(schema, arguments)
        elif names[-1:] in ((RELATION,), (ATTRIBUTE,)):
            restore(schema, names[-1], arguments)
        elif names[:1] != ("pg_catalog",) and names[-1] not in _HARMLESS and not value.from_clause:
            raise CannotApply("what its function does is unknown, so the tables that it names are not relied on")


def _set_config(schema: Schema, arguments: Any) -> None:
    texts = [a.a_const.sval.sval if a.a_const.HasField("sval") else None for a in arguments]
    if texts[:1] == ["search_path"] and len(texts) > 1 and texts[1] is not None:
        _take_path(schema, [part.strip().strip('"') for part in texts[1].split(",")])


def _set(schema: Schema, value: Any, place: str) -> None:
    """SET and RESET of the search path; other settings say nothing here."""
    if value.name != "search_path":
        return
    given = [a.a_const.sval.sval for a in value.args if a.a_const.HasField("sval")]
    _take_path(schema, given or ["public"])


def _take_path(schema: Schema, names: list[str]) -> None:
    schema.search_path = [n for n in names if n and n not in ("$user", "pg_catalog", "pg_temp")][:_LONGEST_PATH]


def _doubt_code(schema: Schema, statement: str, *, whole: bool) -> None:
    """Code changes the tables that it names, or any where it puts statements together."""
    names = _names(statement)
    schema.doubt(None if whole or "execute" in names or "call" in names else names)


def _names(statement: str) -> frozenset[str]:
    """Every word of a statement that may be a name, those in its texts too."""
    return frozenset(word for found in _WORDS.findall(statement) for word in (found, found.lower()))


def _foreign_table(schema: Schema, value: Any, place: str) -> None:
    create_table(schema, value.base_stmt, place, foreign=True)


def _plain(work: Callable[[Schema, Any], None]) -> Handler:
    return lambda schema, value, place: work(schema, value)


_HANDLERS: Final[dict[str, Handler]] = {
    "create_stmt": create_table,
    "create_table_as_stmt": create_table_as,
    "create_foreign_table_stmt": _foreign_table,
    "view_stmt": create_view,
    "index_stmt": create_index,
    "alter_table_stmt": alter_table,
    "rename_stmt": _plain(rename),
    "alter_object_schema_stmt": _plain(set_schema),
    "drop_stmt": _plain(drop),
    "create_function_stmt": _plain(create_function),
    "alter_function_stmt": _plain(alter_function),
    "create_stats_stmt": _plain(create_statistics),
    "alter_stats_stmt": _plain(alter_statistics),
    "select_stmt": _select,
    "variable_set_stmt": _set,
}
