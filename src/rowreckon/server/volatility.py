"""Which functions of a plan could act outside a read-only transaction that is rolled back.

A volatile function may call another server, write a file, take a lock that outlives the transaction or stop somebody
else's session.  The names come from the plan, not from the text, since views and row-security policies bring in calls
that the text does not show.  A function that is declared stable or immutable is taken at its word, as the planner does.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from .connection import Connection

# volatile by declaration, harmless by effect: random numbers, clocks, identifiers of the running transaction
_HARMLESS = (
    "random",
    "random_normal",
    "clock_timestamp",
    "timeofday",
    "gen_random_uuid",
    "uuidv4",
    "uuidv7",
    "pg_sleep",
    "pg_sleep_for",
    "pg_sleep_until",
    "txid_current",
    "pg_current_xact_id",
    "setseed",
    "statement_timestamp",
)

_VOLATILE = """
select n.nspname, p.proname
from pg_catalog.pg_proc p join pg_catalog.pg_namespace n on n.oid = p.pronamespace
where p.proname = any(%s) and p.provolatile = 'v'
  and not (n.nspname = 'pg_catalog' and p.proname = any(%s))
order by 1, 2
"""


def volatile_functions(connection: Connection, document: Any) -> list[str]:
    """Qualified names of volatile functions, other than harmless ones, that the plan may call.

    `document` is what EXPLAIN (VERBOSE, FORMAT JSON) gave.  Where a name is overloaded, one volatile namesake counts.
    """
    called = sorted({name for text in _texts(document) for name in _calls(text)})
    if not called:
        return []
    rows = connection.execute(_VOLATILE, (called, list(_HARMLESS))).fetchall()
    return [f"{schema}.{name}" for schema, name in rows]


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        if isinstance(value.get("Function Name"), str):
            # a Function Scan names its function here, without the parenthesis
            yield f"{value['Function Name']}("
        for inner in value.values():
            yield from _texts(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _texts(inner)


def _calls(text: str) -> Iterator[str]:
    """Every name that an opening parenthesis follows; key words among them match no function.

    A text that the scanner can't read to its end gives what its words are, so that no call is missed.
    """
    from ..sql.grammar import NotSql, scan

    try:
        found = scan(text)
    except NotSql as error:
        yield from _calls(text[: error.at]) if error.at else ()
        yield from _calls(text[error.at + 1 :]) if error.at is not None else ()
        return
    last: str | None = None
    for token in found:
        if token.text == "(" and last is not None:
            yield last
        last = None
        if token.kind == "word":
            last = token.text
        elif token.kind == "name":
            last = token.text[1:-1].replace('""', '"')
