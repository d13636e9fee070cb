"""A query in two steps around what it computes: a WITH query or a subquery in FROM fills a temporary table, which is
analyzed, and the rest of the query reads that in its place. Both are evaluated once, so that the rows are the same."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rowreckon.remedies.quoting import fitting_name
from rowreckon.remedies.subject import Subject, TableName
from rowreckon.remedies.two_steps import Step, as_draft

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.remedies.draft import Draft

_NOT_SPLIT = frozenset(
    {"LockingClause", "IntoClause", "ParamRef", "InsertStmt", "UpdateStmt", "DeleteStmt", "MergeStmt"}
)


def kept_result(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """Two steps with the result that the query knows under the subject's alias; none for a query of another shape."""
    from rowreckon.sql.grammar import NotSql

    if subject.alias is None or capture.query is None:
        return ()
    try:
        step = _step(capture.query, subject.alias)
    except NotSql:
        return ()
    return () if step is None else (as_draft((step,), f"the rows of {subject.alias}"),)


def _step(query: str, name: str) -> Step | None:
    from rowreckon.sql.grammar import parse, printed
    from rowreckon.sql.tree import every_message, kind_of

    tree = parse(query)
    if len(tree.stmts) != 1 or tree.stmts[0].stmt.WhichOneof("node") != "select_stmt":
        return None
    if any(kind_of(message) in _NOT_SPLIT for message in every_message(tree)):
        return None
    select = tree.stmts[0].stmt.select_stmt
    temporary = TableName(fitting_name(name, "kept"))
    computed = _taken_from_with(tree, select, name, temporary) or _taken_from_from(select, name, temporary)
    if computed is None:
        return None
    first = parse("SELECT 1")
    first.stmts[0].stmt.CopyFrom(computed)
    return Step(printed(first), printed(tree), temporary, frozenset())


def _taken_from_with(tree: Any, select: Any, name: str, temporary: TableName) -> Any | None:
    """The WITH query of this name, taken out of the tree, whose readers are given the temporary table."""
    from rowreckon.sql.tree import every_message, kind_of

    named = [m for m in every_message(tree) if kind_of(m) == "CommonTableExpr" and m.ctename == name]
    places = [n for n, each in enumerate(select.with_clause.ctes) if each.common_table_expr.ctename == name]
    if len(named) != 1 or len(places) != 1 or select.with_clause.recursive:
        return None
    if any(_reads_any(each, frozenset({name})) for each in select.with_clause.ctes[: places[0]]):
        return None  # those before it do not see it, but a table of its name
    (expression,) = named
    if expression.aliascolnames or expression.ctequery.WhichOneof("node") != "select_stmt":
        return None
    computed = _copy(expression.ctequery)
    if _reads_any(computed, _with_names(select)):
        return None
    del select.with_clause.ctes[places[0]]
    if not select.with_clause.ctes:
        select.ClearField("with_clause")
    for message in every_message(tree):
        if kind_of(message) == "RangeVar" and message.relname == name and not message.schemaname:
            message.relname = temporary.name
            if not message.HasField("alias"):
                message.alias.aliasname = name
    return computed


def _taken_from_from(select: Any, name: str, temporary: TableName) -> Any | None:
    """The subquery under this alias in the outermost FROM, in whose place the temporary table is read."""
    from rowreckon.sql.conjuncts import from_items, name_of

    found = [item for item in from_items(select) if name_of(item) == name]
    if len(found) != 1 or found[0].WhichOneof("node") != "range_subselect" or found[0].range_subselect.lateral:
        return None
    computed = _copy(found[0].range_subselect.subquery)
    if computed.WhichOneof("node") != "select_stmt" or _reads_any(computed, _with_names(select)):
        return None
    kept = found[0].range_var  # setting it takes the subquery's place
    kept.relname, kept.inh, kept.relpersistence = temporary.name, True, "p"
    kept.alias.aliasname = name
    return computed


def _with_names(select: Any) -> frozenset[str]:
    return frozenset(each.common_table_expr.ctename for each in select.with_clause.ctes)


def _reads_any(tree: Any, names: frozenset[str]) -> bool:
    """Whether a query reads one of the WITH queries beside it, which its own statement would not have."""
    from rowreckon.sql.tree import every_message, kind_of

    return any(kind_of(m) == "RangeVar" and m.relname in names and not m.schemaname for m in every_message(tree))


def _copy(message: Any) -> Any:
    new = type(message)()
    new.CopyFrom(message)
    return new
