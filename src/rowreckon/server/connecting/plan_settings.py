"""The planner's settings that a plan prints, put in force for one transaction: known names, values as parameters."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from typing import Final

from rowreckon.server.connecting.connection import Connection

_KNOWN: Final = frozenset(
    {
        "seq_page_cost", "random_page_cost", "cpu_tuple_cost", "cpu_index_tuple_cost", "cpu_operator_cost",
        "parallel_tuple_cost", "parallel_setup_cost", "work_mem", "hash_mem_multiplier", "effective_cache_size", "jit",
        "from_collapse_limit", "join_collapse_limit", "geqo", "geqo_threshold", "plan_cache_mode",
        "cursor_tuple_fraction", "max_parallel_workers_per_gather", "parallel_leader_participation",
    }
)  # fmt: skip
_PATH: Final = "search_path"

_APPLY = """
select pg_catalog.set_config(s.name, v.value, true)
from pg_catalog.pg_settings s
join pg_catalog.json_each_text(%s::pg_catalog.json) v(name, value) on v.name operator(pg_catalog.=) s.name
where s.context operator(pg_catalog.=) 'user'
"""


def apply_settings(connection: Connection, settings: Mapping[str, str]) -> None:
    """Put a plan's settings in force for the transaction, as far as any role may set them. Raises psycopg.Error.

    The search path is among them: it decides which relations are meant by names without a schema, and nothing else.
    """
    known = _known(settings, path=True)
    if known:
        connection.execute(_APPLY, (json.dumps(known),))


def setting_statements_of(settings: Mapping[str, str]) -> tuple[str, ...]:
    """The same as SET LOCAL statements, printed from trees, to go before a query of your own.

    Without the search path: a file has no say in what the names of a query mean.
    """
    from rowreckon.sql.grammar import NotSql, parse, printed

    statements = []
    for name, value in _known(settings, path=False).items():
        tree = parse("SET LOCAL a = 'b'")
        change = tree.stmts[0].stmt.variable_set_stmt
        change.name = name
        change.args[0].a_const.sval.sval = value
        with contextlib.suppress(NotSql):
            statements.append(printed(tree))
    return tuple(statements)


def _known(settings: Mapping[str, str], *, path: bool) -> dict[str, str]:
    """Those that steer the planner's costs and methods."""
    return {
        name: value
        for name, value in sorted(settings.items())
        if name in _KNOWN or (name.startswith("enable_") and name.isidentifier()) or (path and name == _PATH)
    }
