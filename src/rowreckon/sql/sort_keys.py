"""A sort key as EXPLAIN prints it: the plain column that it names, and the words that say its direction."""

from __future__ import annotations

from functools import lru_cache

from rowreckon.frozen import frozen


@frozen
class SortKey:
    """A column to sort by; `words` follow it in ORDER BY and in an index: "", "DESC", "DESC NULLS LAST" and so on."""

    table: str | None
    column: str
    words: str


@lru_cache(maxsize=1000)
def sort_key(text: str) -> SortKey | None:
    """The key as a plain column; None for an expression, another collation or operator, and what is no SQL."""
    from rowreckon.sql.grammar import NotSql, parse
    from rowreckon.sql.tree import strings

    try:
        clause = parse(f"SELECT ORDER BY {text}").stmts[0].stmt.select_stmt.sort_clause
    except NotSql:
        return None
    if len(clause) != 1:
        return None
    key = clause[0].sort_by
    names = strings(key.node.column_ref.fields) if key.node.WhichOneof("node") == "column_ref" else ()
    if len(names) not in (1, 2) or key.use_op:
        return None
    return SortKey(names[0] if len(names) == 2 else None, names[-1], _words(key.sortby_dir, key.sortby_nulls))


def _words(direction: int, nulls: int) -> str:
    """As an index spells it; NULLS FIRST is what DESC means, NULLS LAST what ASC means."""
    from postgast.pg_query_pb2 import SortByDir, SortByNulls

    descending = direction == SortByDir.SORTBY_DESC
    first = nulls == SortByNulls.SORTBY_NULLS_FIRST or (descending and nulls != SortByNulls.SORTBY_NULLS_LAST)
    return words_of(descending=descending, nulls_first=first)


def words_of(*, descending: bool, nulls_first: bool) -> str:
    """The words of a direction, none for the one that an index has by default."""
    if descending:
        return "DESC" if nulls_first else "DESC NULLS LAST"
    return "NULLS FIRST" if nulls_first else ""
