"""What a query names: relations and functions that a stand-in needs besides those that the plan shows.

The planner removes tables, puts views' definitions in their place, and inlines functions; the query still names them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rowreckon.capture import Capture
from rowreckon.sql.tree import every_message, kind_of, strings


def concerned(
    captures: Sequence[Capture], others: Iterable[str] = ()
) -> tuple[frozenset[tuple[str | None, str]], frozenset[str]]:
    """The relations and functions of these plans, of their queries, and of other queries, as for `mentioned`."""
    from rowreckon.catalog.wanted import wanted_facts
    from rowreckon.plan.tree import lay_out

    trees = [lay_out(capture.explain.plan) for capture in captures if capture.explain is not None]
    request = wanted_facts(trees, trust="file")
    relations: set[tuple[str | None, str]] = {(each.schema_name, each.name) for each in request.relations}
    functions: set[str] = set(request.functions)
    for text in (*(capture.query for capture in captures if capture.query), *others):
        more_relations, more_functions = mentioned(text)
        relations |= more_relations
        functions |= more_functions
    return frozenset(relations), frozenset(functions)


def mentioned(query: str) -> tuple[frozenset[tuple[str | None, str]], frozenset[str]]:
    """The relations (schema or None, name) and the names of functions; none for a text that can't be read.

    A common table expression of the same name as a table hides nothing here: a table too many does no harm.
    """
    from rowreckon.sql.grammar import NotSql, parse

    try:
        tree = parse(query)
    except NotSql:
        return frozenset(), frozenset()
    relations: set[tuple[str | None, str]] = set()
    functions: set[str] = set()
    for message in every_message(tree):
        kind = kind_of(message)
        if kind == "RangeVar":
            relations.add((message.schemaname or None, message.relname))
        elif kind == "FuncCall":
            named = strings(message.funcname)
            functions.update(named[-1:])
    return frozenset(relations), frozenset(functions)
