"""Whether a query calls a function: by its plan's function scans, and by its text, which PostgreSQL's grammar reads."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import lru_cache

from rowreckon.plan.base import PlanNode
from rowreckon.plan.nodes import FunctionScanNode
from rowreckon.remedies.subject import FunctionName


def calls(query: str | None, nodes: Iterable[PlanNode], function: FunctionName) -> bool:
    """Whether a function of this name is called; a schema counts only where both name one, the arguments never: which
    of several functions of a name is meant is the server's to say."""
    return any(
        name == function.name and (schema is None or function.schema is None or schema == function.schema)
        for schema, name in (*_scanned(nodes), *_written(query or ""))
    )


def _scanned(nodes: Iterable[PlanNode]) -> Iterator[tuple[str | None, str]]:
    for node in nodes:
        if isinstance(node, FunctionScanNode) and node.function_name is not None:
            yield node.schema_name, node.function_name


@lru_cache(maxsize=4096)
def _written(query: str) -> tuple[tuple[str | None, str], ...]:
    """(schema or None, name) of each call in the text, in whatever clause; nothing where it is not SQL."""
    from rowreckon.sql.grammar import NotSql, parse  # the grammar takes a tenth of a second to load
    from rowreckon.sql.tree import every_message, kind_of, strings

    if "(" not in query:
        return ()
    try:
        tree = parse(query)
    except NotSql:
        return ()
    named = (strings(message.funcname) for message in every_message(tree) if kind_of(message) == "FuncCall")
    return tuple((parts[-2] if len(parts) > 1 else None, parts[-1]) for parts in named if parts)
