"""What the session looks like to a query: another session may get another plan."""

from __future__ import annotations

from dataclasses import dataclass

from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.neutral import neutral_path

_PLANNER = """
select name, current_setting(name), source from pg_settings
where name in ('seq_page_cost','random_page_cost','cpu_tuple_cost','cpu_index_tuple_cost','cpu_operator_cost',
 'parallel_tuple_cost','parallel_setup_cost','work_mem','hash_mem_multiplier','effective_cache_size',
 'recursive_worktable_factor','cursor_tuple_fraction','default_statistics_target','from_collapse_limit',
 'join_collapse_limit','geqo','geqo_threshold','plan_cache_mode','jit','max_parallel_workers_per_gather',
 'max_parallel_workers','min_parallel_table_scan_size','min_parallel_index_scan_size','parallel_leader_participation',
 'constraint_exclusion') or name like 'enable\\_%'
order by name
"""
_SESSION = "select current_user::text, current_database()::text, current_setting('row_security')"
# where a value comes from that the server's configuration does not give to every session (pg_settings.source)
_OWN_SOURCES = ("database", "user", "database user", "client", "session", "interactive", "override")


@dataclass(frozen=True, slots=True)
class SessionState:
    """Role, database, search_path, row security, and the planner's settings that this role, database or session has
    otherwise than the server at large. Settings of other kinds are not recorded: they may hold anything."""

    role: str
    database: str
    search_path: str
    row_security: bool
    own_settings: tuple[tuple[str, str], ...] = ()


def read_state(connection: Connection) -> tuple[dict[str, str], SessionState]:
    """The planner's settings as SHOW prints them, and the session's state, within a transaction. Raises
    psycopg.Error."""
    with neutral_path(connection) as search_path:
        rows = connection.execute(_PLANNER.encode()).fetchall()
        row = connection.execute(_SESSION.encode()).fetchone()
    assert row is not None
    settings = {str(name): str(value) for name, value, _ in rows}
    own = tuple((str(name), str(value)) for name, value, source in rows if source in _OWN_SOURCES)
    return settings, SessionState(row[0], row[1], search_path, row[2] == "on", own)
