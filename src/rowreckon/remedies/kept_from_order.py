"""A query with ORDER BY and LIMIT whose rows are found first and sorted then, so that no index's order is hoped for.

The rows come from a MATERIALIZED WITH query, which is planned for all of its rows (PostgreSQL documentation, "WITH
Queries"). The same conditions, sort and limit give the same rows; where the sort leaves some equal, either text may
give any of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rowreckon.remedies.draft import OPEN, Draft

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.remedies.subject import Subject

_NAME = "found_rows"
_CAUTIONS = (
    "it finds all rows before it sorts them: where the rows wanted do come early in the order, it is the slower one",
    "where the sort leaves rows equal, either text may give any of them",
    "it changes the text of this query alone",
)
_COMPUTES = frozenset({"FuncCall", "A_Star", "SubLink", "GroupingFunc"})


def kept_from_the_order(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """The query written so; none where its shape proves no other text equal."""
    text = kept_from_order(capture.query) if capture.query is not None else None
    if text is None:
        return ()
    return (
        Draft(
            kind="query_rewrite",
            title="Sort the rows once they are found",
            sql=(text,),
            sql_trial=(text,),
            reason="Found in a MATERIALIZED query, the rows are sorted and limited outside of it. So the planner hopes "
            "for no early end in the order of an index.",
            works=OPEN,
            undo=(),
            undo_note="send the query as it was",
            cautions=_CAUTIONS,
        ),
    )


def kept_from_order(query: str) -> str | None:
    """The text of a plain SELECT with ORDER BY and LIMIT over its own output columns, written so; None for others."""
    from rowreckon.sql.grammar import NotSql, parse, printed

    try:
        tree = parse(query)
        if len(tree.stmts) != 1 or tree.stmts[0].stmt.WhichOneof("node") != "select_stmt":
            return None
        select = tree.stmts[0].stmt.select_stmt
        names = _output_names(select)
        keys = [_sorted_output(key.sort_by, select, names) for key in select.sort_clause] if names else []
        if not names or not keys or None in keys or not _is_plain(select):
            return None
        listed = ", ".join(f"{_NAME}.c" for _ in names)
        keyed = ", ".join(f"{_NAME}.c" for _ in keys)
        outer = parse(f"WITH {_NAME} AS MATERIALIZED (SELECT 1) SELECT {listed} FROM {_NAME} ORDER BY {keyed} LIMIT 1")
        _fill(outer.stmts[0].stmt.select_stmt, select, names, [key for key in keys if key is not None])
        return printed(outer)
    except NotSql:
        return None


def _is_plain(select: Any) -> bool:
    """Whether all its rows are rows of its FROM, sorted and limited, and nothing counts how often it is computed."""
    from rowreckon.sql.tree import every_message, kind_of

    if not select.from_clause or not select.HasField("limit_count") or select.HasField("larg"):
        return False
    if select.distinct_clause or select.group_clause or select.HasField("having_clause") or select.locking_clause:
        return False
    if select.HasField("with_clause") or select.HasField("into_clause") or select.window_clause:
        return False
    kinds = {kind_of(m) for target in select.target_list for m in every_message(target)}
    return not kinds & _COMPUTES


def _output_names(select: Any) -> list[str]:
    """The names of the output columns; none where one has no name of its own, or two have the same."""
    from rowreckon.sql.tree import strings

    names = []
    for target in select.target_list:
        value = target.res_target.val
        column = strings(value.column_ref.fields) if value.WhichOneof("node") == "column_ref" else ()
        names.append(target.res_target.name or (column[-1] if column else ""))
    return names if all(names) and len(set(names)) == len(names) else []


def _sorted_output(key: Any, select: Any, names: list[str]) -> str | None:
    """The output column that a sort key means; None for an expression, and a column that is not put out.

    A bare name means the output column of that name before any other; with its table it is the table's column.
    """
    from rowreckon.sql.tree import strings

    if key.node.WhichOneof("node") != "column_ref" or key.use_op:
        return None
    parts = strings(key.node.column_ref.fields)
    if len(parts) == 1:
        return parts[0] if parts[0] in names else None
    values = [target.res_target.val for target in select.target_list]
    same = (v.WhichOneof("node") == "column_ref" and strings(v.column_ref.fields) == parts for v in values)
    return next((name for name, is_it in zip(names, same, strict=True) if is_it), None)


def _fill(outer: Any, select: Any, names: list[str], keys: list[str]) -> None:
    """Put the query, without its sort and limit, inside, and these outside of it."""
    inside = outer.with_clause.ctes[0].common_table_expr.ctequery.select_stmt
    for target, name in zip(outer.target_list, names, strict=True):
        target.res_target.val.column_ref.fields[1].string.sval = name
    for sort, old, name in zip(outer.sort_clause, select.sort_clause, keys, strict=True):
        sort.sort_by.node.column_ref.fields[1].string.sval = name
        sort.sort_by.sortby_dir, sort.sort_by.sortby_nulls = old.sort_by.sortby_dir, old.sort_by.sortby_nulls
    outer.limit_count.CopyFrom(select.limit_count)
    outer.limit_option = select.limit_option
    if select.HasField("limit_offset"):
        outer.limit_offset.CopyFrom(select.limit_offset)
    inside.CopyFrom(select)
    for taken in ("sort_clause", "limit_count", "limit_offset"):
        inside.ClearField(taken)
    inside.limit_option = 1  # LIMIT_OPTION_DEFAULT: the library's enumerations are slow to load
