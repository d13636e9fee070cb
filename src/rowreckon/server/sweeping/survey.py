"""What a role may do, see and would run on a server: read before anything runs, in a read-only transaction."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass

import psycopg

from rowreckon.errors import StatementFailed
from rowreckon.plural import counted
from rowreckon.server.connecting.connection import Connection, first_line, place
from rowreckon.server.connecting.containment import Containment
from rowreckon.server.connecting.neutral import neutral_path
from rowreckon.server.connecting.permission import Limits, SafetyPermission
from rowreckon.server.connecting.privileges import privileges, role_that_is_enough
from rowreckon.server.connecting.whereabouts import on_this_machine
from rowreckon.server.executing.execute import Executor, QueryRun, refusal_of
from rowreckon.server.judging.verdict import FLAG
from rowreckon.server.lists.querylist import QueryItem

_LIMITS = Limits(statement_ms=15_000, lock_ms=1_000)

# what: a query of one text value; a failing one costs itself alone
_FACTS = (
    ("server", "select pg_catalog.version()"),
    ("database", "select pg_catalog.format('%s, %s', pg_catalog.current_database(),"
     " pg_catalog.pg_size_pretty(pg_catalog.pg_database_size(pg_catalog.current_database())))"),
    ("state", "select case when pg_catalog.pg_is_in_recovery() then 'a standby: its counters of changes are empty'"
     " else 'a primary' end"),
    ("role", "select pg_catalog.format('%s%s%s', current_user, case when r.rolsuper then ', a superuser' else '' end,"
     " case when r.rolbypassrls then ', passes row security' else '' end)"
     " from pg_catalog.pg_roles r where r.rolname = current_user"),
    ("other roles' activity", "select case when pg_catalog.pg_has_role('pg_read_all_stats', 'usage') then 'visible'"
     " else 'hidden (needs pg_read_all_stats); an audit does without' end"),
    ("PL/pgSQL", "select case when pg_catalog.has_language_privilege('plpgsql', 'usage') then 'usable: catalog facts"
     " can be read' else 'not usable by this role: audits do without catalog facts' end"),
    ("making copies", "select case when (r.rolcreatedb or r.rolsuper) and pg_catalog.pg_has_role(d.datdba, 'usage')"
     " then 'permitted: a trial can work on a copy of the database' else 'not permitted (needs CREATEDB and ownership"
     " of the database)' end from pg_catalog.pg_roles r, pg_catalog.pg_database d"
     " where r.rolname = current_user and d.datname = pg_catalog.current_database()"),
    ("counters since", "select coalesce((select stats_reset::timestamptz(0)::text from pg_catalog.pg_stat_database"
     " where datname = pg_catalog.current_database()), 'the database was made; never reset')"),
)  # fmt: skip
_USER_TABLES = """
from pg_catalog.pg_class c join pg_catalog.pg_namespace n on n.oid = c.relnamespace
where c.relkind in ('r','p','m','f') and n.nspname !~ '^pg_' and n.nspname <> 'information_schema'
"""
_TABLES = f"""
select count(*), count(*) filter (where not pg_catalog.has_table_privilege(c.oid, 'select')),
  count(*) filter (where pg_catalog.row_security_active(c.oid)), count(*) filter (where c.relkind = 'f'),
  count(*) filter (where c.relkind in ('r','m') and c.reltuples <= 0 and c.relpages = 0
                   and pg_catalog.pg_relation_size(c.oid) > 0)
{_USER_TABLES}
"""
_LARGEST = f"""
select pg_catalog.format('%I.%I', n.nspname, c.relname), pg_catalog.pg_size_pretty(pg_catalog.pg_table_size(c.oid)),
  pg_catalog.pg_size_pretty(pg_catalog.pg_indexes_size(c.oid))
{_USER_TABLES} and c.relkind in ('r','m') order by pg_catalog.pg_table_size(c.oid) desc, 1 limit 10
"""
_SETTINGS = """
select name, pg_catalog.current_setting(name) from pg_catalog.pg_settings
where name in ('work_mem','hash_mem_multiplier','effective_cache_size','random_page_cost','default_statistics_target',
  'max_parallel_workers_per_gather','jit','track_counts','autovacuum','track_io_timing','plan_cache_mode','search_path',
  'row_security','shared_buffers') order by name
"""

_UNKNOWN = "not known"


@dataclass(frozen=True, slots=True)
class QueryOutlook:
    """What a sweep would do with one item: run it, or refuse, skip or fail it, and why."""

    item: QueryItem
    kind: str
    outlook: str
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Survey:
    """Facts as (what, said) pairs, what the role may do beyond a plain one with the SQL of a role that is enough (where
    it is none), the largest tables as (name, table size, index size), settings, queries.

    `unanswered` counts the queries on which the server gave no answer, in time or at all.
    """

    facts: tuple[tuple[str, str], ...]
    privileges: tuple[str, ...]
    enough: tuple[str, ...]
    largest: tuple[tuple[str, str, str], ...]
    settings: tuple[tuple[str, str], ...]
    queries: tuple[QueryOutlook, ...]
    unanswered: int = 0


def survey(
    connection: Connection, items: Sequence[QueryItem], permission: SafetyPermission, settings: Sequence[str] = ()
) -> Survey:
    """Read it all. `settings` are SET LOCAL statements for the facts; each item brings its own.

    Nothing of a query is run: what it may execute is judged, and planned is only what is harmless, since planning
    evaluates functions too. Raises StatementFailed where not even the settings can be applied.
    """
    try:
        special = privileges(connection)
        enough = role_that_is_enough(connection) if special else ()
        with connection.transaction(force_rollback=True), contextlib.ExitStack() as stack:
            connection.execute(b"SET TRANSACTION READ ONLY")
            containment = Containment(connection, read_only=True)
            containment.limit(_LIMITS, watched=False)
            for statement in settings:
                connection.execute(statement.encode(), binary=True)
            containment.limit(_LIMITS, watched=False)
            path = stack.enter_context(neutral_path(connection))
            where = "on this machine" if on_this_machine(connection) else "elsewhere: a sweep asks first"
            facts = [("connection", f"{place(connection)}, {where}")]
            facts += [(what, _one(connection, query)) for what, query in _FACTS]
            facts += _tables(connection)
            largest = tuple((str(a), str(b), str(c)) for a, b, c in _rows(connection, _LARGEST))
            shown = tuple((str(a), path if a == "search_path" else str(b)) for a, b in _rows(connection, _SETTINGS))
    except psycopg.Error as error:
        raise StatementFailed(f"the check failed: {first_line(error)}", sqlstate=error.sqlstate) from None
    executor = Executor(connection, permission, _LIMITS, nothing_runs=True)
    outlooks = tuple(_outlook(executor, item) for item in items)
    unanswered = sum(each.outlook in (_UNKNOWN, "timed_out") for each in outlooks)
    return Survey(tuple(facts), special, enough, largest, shown, outlooks, unanswered)


def _rows(connection: Connection, query: str) -> list[tuple[object, ...]]:
    try:
        with connection.transaction():
            return connection.execute(query.encode()).fetchall()
    except psycopg.Error:
        if connection.closed:
            raise
        return []


def _one(connection: Connection, query: str) -> str:
    rows = _rows(connection, query)
    return str(rows[0][0]) if rows else "this role may not know"


def _tables(connection: Connection) -> list[tuple[str, str]]:
    rows = _rows(connection, _TABLES)
    if not rows:
        return [("tables", "this role may not know")]
    total, closed, secured, foreign, fresh = rows[0]
    found = [("tables", f"{total}, of which this role may not read {closed}")]
    if secured:
        on = counted(int(str(secured)), "table")
        found.append(("row security", f"active for this role on {on}, whose statistics it does not see"))
    if foreign:
        found.append(("foreign tables", f"{foreign}: queries on them reach their remote servers"))
    if fresh:
        found.append(("never analyzed", f"{counted(int(str(fresh)), 'table that holds', 'tables that hold')} rows"))
    return found


def _outlook(executor: Executor, item: QueryItem) -> QueryOutlook:
    kind = "query" if item.kind == "execute" else item.kind
    early = refusal_of(item, executor.permission)
    if early is not None:
        return QueryOutlook(item, kind, early.outcome, early.reason)
    if executor.connection.closed:
        return QueryOutlook(item, kind, _UNKNOWN, "the connection to the server was lost before its turn")
    runs = "would run, then be rolled back" if kind == "write" else "would run"
    verdict, ending = executor.judge(item)
    if verdict is None:
        return QueryOutlook(
            item, kind, _UNKNOWN if ending.lost else ending.outcome, _told(ending.reason, ending.sqlstate)
        )
    if not verdict.harmless and not executor.permission.volatile:
        return QueryOutlook(item, kind, "refused", f"{verdict.reason()}; {FLAG} permits it")
    if not verdict.harmless:
        return QueryOutlook(item, kind, runs, f"not planned here, for {verdict.reason()}")
    if verdict.named:
        named = ", ".join(verdict.named)
        return QueryOutlook(item, kind, runs, f"not planned here, for it may run {named}, taken at its declaration")
    found: QueryRun = executor.look(item)
    if found.outcome == "ran":
        return QueryOutlook(item, kind, runs)
    return QueryOutlook(item, kind, _UNKNOWN if found.lost else found.outcome, _told(found.reason, found.sqlstate))


def _told(reason: str | None, sqlstate: str | None) -> str | None:
    return f"{reason} (SQLSTATE {sqlstate})" if sqlstate else reason
