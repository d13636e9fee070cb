"""Filling the temporary tables that an item reads, in the item's own transaction, which is rolled back like any other.

The one time in which such a transaction may write is the statement that fills. What fills has to be harmless whatever
is permitted for the item, and may not even call what is declared so in a procedural language: as long as it may write,
nothing else keeps such a function from acting. Counting and the item itself run read-only again.
"""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Final

from rowreckon.server.connecting.permission import Limits, NotPermitted
from rowreckon.server.executing.explain_options import filling_options, planning_options
from rowreckon.server.executing.transaction import ItemTransaction
from rowreckon.server.executing.volatility import PlannedCalls
from rowreckon.server.judging.judge import Judge
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.sql.filling import Filling, only_reads
from rowreckon.sql.keywords import quote_name

# functions and operators alone, each with its schema
_MAY: Final = (
    b"select pg_catalog.has_database_privilege(pg_catalog.current_database(), 'TEMPORARY'),"
    b" current_user::pg_catalog.text"
)
_MEANT: Final = (
    b"select c.relnamespace operator(pg_catalog.=) pg_catalog.pg_my_temp_schema() from pg_catalog.pg_class c"
    b" where c.oid operator(pg_catalog.=) pg_catalog.to_regclass(%s)::pg_catalog.oid"
)


def admit_fillings(judge: Judge, item: QueryItem) -> None:
    """Nothing where all that fills the item's tables is harmless; nothing of it is sent. Raises NotPermitted."""
    for number, filling in enumerate(item.fillings):
        if not only_reads(filling):
            raise NotPermitted(f"the temporary table {filling.table} would be filled by more than one plain query")
        # with those before it, which it may read
        alone = replace(item, text=filling.query, kind="query", prepared=(), fillings=item.fillings[:number])
        verdict = judge.judge(alone)
        if not verdict.harmless:
            raise NotPermitted(f"filling the temporary table {filling.table}: {verdict.reason()}")
        if verdict.named:
            raise NotPermitted(
                f"filling the temporary table {filling.table} may run {', '.join(verdict.named[:3])}, which a trial"
                " leaves to read-only transactions"
            )


def filled(inside: ItemTransaction, calls: PlannedCalls, limits: Limits) -> ItemTransaction:
    """The transaction once all tables of its item are filled and analyzed, read-only from then on.

    What is left of the statement's time is in force for what follows; `filled_ms` is what all of it took: the server's
    own time of each filling, and of each ANALYZE the time until it was done. Raises psycopg.Error and NotPermitted.
    """
    if not inside.item.fillings:
        return inside
    begun = time.perf_counter()
    _may_fill(inside)
    took_ms = 0.0
    for filling in inside.item.fillings:
        took_ms += _fill(inside, filling, calls)
    inside.only_read()
    for filling in inside.item.fillings:
        took_ms += _count(inside, filling)
    if limits.statement_ms:
        left_ms = limits.statement_ms - (time.perf_counter() - begun) * 1000.0
        inside.set_local("statement_timeout", str(max(int(left_ms), 1)))
    return replace(inside, filled_ms=took_ms)


def _may_fill(inside: ItemTransaction) -> None:
    row = inside.connection.execute(_MAY).fetchone()
    assert row is not None
    may, role = row
    if not may:
        raise NotPermitted(
            f"role {role} may not make temporary tables there: GRANT TEMPORARY ON DATABASE gives the right"
        )


def _fill(inside: ItemTransaction, filling: Filling, calls: PlannedCalls) -> float:
    """Plan what fills, look at what it calls, run it; what it took, ms."""
    planned = inside.explain(planning_options(inside.connection.info.server_version), filling.query)
    found = calls.volatile(planned)
    if found:
        raise NotPermitted(f"filling the temporary table {filling.table} may call {', '.join(found)}")
    document = inside.fill(filling_options(), filling)
    (row,) = inside.connection.execute(_MEANT, (quote_name(filling.table),)).fetchall() or [(False,)]
    if not row[0]:
        raise NotPermitted(f"under the search path in force {filling.table} means another table than the temporary one")
    return float(document[0]["Execution Time"])


def _count(inside: ItemTransaction, filling: Filling) -> float:
    begun = time.perf_counter()
    inside.analyze(filling)
    return (time.perf_counter() - begun) * 1000.0
