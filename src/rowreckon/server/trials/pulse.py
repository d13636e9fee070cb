"""Whether autovacuum worked on a database while something was measured there: then the measurement is void."""

from __future__ import annotations

from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.neutral import neutral_rows

_COUNTS = """
select c.oid::regclass::text, pg_catalog.pg_stat_get_autoanalyze_count(c.oid),
  pg_catalog.pg_stat_get_autovacuum_count(c.oid), c.relpages, c.reltuples, c.relallvisible
from pg_catalog.pg_class c where c.relkind in ('r', 'm', 'p') and c.oid >= 16384
"""

Pulse = dict[str, tuple[object, ...]]


def take_pulse(connection: Connection) -> Pulse:
    """By table: how often autovacuum came, and the sizes that it or anybody else last wrote. Raises psycopg.Error."""
    return {str(row[0]): tuple(row[1:]) for row in neutral_rows(connection, _COUNTS)}


def disturbed(before: Pulse, after: Pulse, *, sizes: bool = True) -> str | None:
    """What happened in between, in words; `sizes` False where the trial itself wrote sizes."""
    last = None if sizes else 2
    tables = sorted(t for t, counts in after.items() if t in before and before[t][:last] != counts[:last])
    if not tables:
        return None
    named = ", ".join(tables[:3]) + (f" and {len(tables) - 3} more" if len(tables) > 3 else "")
    return f"autovacuum, or another session, vacuumed or analyzed {named} meanwhile: the runs do not compare"
