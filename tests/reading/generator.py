"""Plans of every kind from a real server, for the round-trip checks of the readers and of the typed tree.

    extras = create_tables(connection)                  once, in an empty database
    for statement in statements(major, extras):         what to explain
        for options in option_sets(major):              how
            document = explain(connection, statement, options, "json")

`explain` runs in a transaction of its own that it rolls back, so the statements don't disturb one another, and returns
what the server printed: the parsed list of documents for "json", a string for "text", "yaml" and "xml". Pairs that
make no sense (ANALYZE with a generic plan, SERIALIZE before 17) are left out by `combinations`. `raw_json` gives the
JSON as text, which PostgreSQL does not always print well-formed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import psycopg

from .hut_statements import Statement, all_statements
from .hut_tables import Extras, create_tables

__all__ = [
    "Extras",
    "OptionSet",
    "Statement",
    "combinations",
    "create_tables",
    "explain",
    "option_sets",
    "statements",
]


@dataclass(frozen=True)
class OptionSet:
    """A set of EXPLAIN's options, with the settings that go with it."""

    name: str
    words: str
    since: int = 12
    until: int = 99
    settings: tuple[tuple[str, str], ...] = ()
    needs: str | None = None

    @property
    def analyze(self) -> bool:
        """Whether the statement is executed."""
        return "analyze" in self.words


_WRITTEN = ("ridge", "hut", "guest", "booking", "stay", "supply_flight", "change_log", "seen_plan")
_COMPILED = ("gather", "three_tables", "sub_plan_never", "insert", "cte", "parallel_append", "init_plan")
_JIT = (("jit", "on"), ("jit_above_cost", "0"), ("jit_inline_above_cost", "0"), ("jit_optimize_above_cost", "0"))
_IO = (("track_io_timing", "on"),)
_ID = (("compute_query_id", "on"),)

OPTION_SETS = (
    OptionSet("plain", ""),
    OptionSet("costs_off", "costs off"),
    OptionSet("verbose", "verbose"),
    OptionSet("settings", "settings, summary on"),
    OptionSet("query_id", "verbose, settings", since=14, settings=_ID),
    OptionSet("planning_buffers", "buffers, summary on", since=13),
    OptionSet("memory", "memory, summary on", since=17),
    OptionSet("analyze", "analyze"),
    OptionSet("analyze_bare", "analyze, timing off, summary off"),
    OptionSet("analyze_costs_off", "analyze, costs off, timing off, summary off"),
    OptionSet("analyze_no_buffers", "analyze, buffers off"),
    OptionSet("analyze_buffers", "analyze, buffers, verbose", settings=_IO),
    OptionSet("analyze_buffers_bare", "analyze, buffers, timing off, summary off"),
    OptionSet("analyze_wal", "analyze, buffers, wal, timing off", since=13),
    OptionSet("analyze_all", "analyze, verbose, buffers, settings, wal", since=13, settings=_IO),
    OptionSet("analyze_memory", "analyze, memory, buffers, verbose", since=17),
    OptionSet("analyze_serialize", "analyze, serialize text, buffers", since=17, settings=_IO),
    OptionSet("analyze_serialize_binary", "analyze, serialize binary, timing off, buffers off", since=17),
    OptionSet("analyze_jit", "analyze, verbose", settings=_JIT, needs="jit"),
    OptionSet("jit", "verbose, costs off", settings=_JIT, needs="jit"),
)


def statements(major: int, extras: Extras | None = None) -> list[Statement]:
    """The statements that a server of this major can explain; without `extras`, those that need none."""
    return [
        each
        for each in all_statements()
        if each.since <= major <= each.until and (each.needs is None or _has(extras, each.needs))
    ]


def option_sets(major: int, extras: Extras | None = None) -> list[OptionSet]:
    """The option sets that a server of this major knows."""
    return [
        each
        for each in OPTION_SETS
        if each.since <= major <= each.until and (each.needs is None or _has(extras, each.needs))
    ]


def combinations(major: int, extras: Extras | None = None) -> Iterator[tuple[Statement, OptionSet]]:
    """Every statement with every option set that goes with it."""
    for statement in statements(major, extras):
        for options in option_sets(major, extras):
            if statement.generic and options.analyze:
                continue
            # Compiling takes a tenth of a second for each plan, and prints the same lines for every plan.
            if options.needs == "jit" and statement.name not in _COMPILED:
                continue
            yield statement, options


def explain(connection: psycopg.Connection, statement: Statement, options: OptionSet, form: str = "json") -> Any:
    """What the server prints: documents for "json" (as parsed), text for "text", "yaml", "xml" and "raw json"."""
    chosen = [f"format {form.removeprefix('raw ')}", options.words, "generic_plan" if statement.generic else ""]
    listed = ", ".join(word for word in chosen if word)
    with connection.transaction(force_rollback=True), connection.cursor() as cursor:
        cursor.execute("set local search_path = huts, public")
        for name, value in [*statement.settings.items(), *options.settings]:
            cursor.execute("select set_config(%s, %s, true)", (name, value))
        for each in statement.setup:
            cursor.execute(each.encode())
        if statement.through:
            cursor.execute(f"select {statement.through}('{listed}')".encode(), prepare=False)
        else:
            cursor.execute(f"explain ({listed}) {statement.sql}".encode(), prepare=False)
        # As text, not as psycopg would parse it: numbers must stay what they are and faults must be seen.
        rows = [_raw(value) for (value,) in _text_rows(cursor)]
        if statement.setup and any(each.startswith("prepare") for each in statement.setup):
            cursor.execute("deallocate all")
    if statement.writes and options.name == "analyze" and connection.autocommit:
        # The rows that were rolled back must not raise the estimates of what comes next.
        words = " ".join([statement.sql, *statement.setup, "guest seen_plan" if statement.through else ""])
        touched = ", ".join(f"huts.{table}" for table in _WRITTEN if table in words)
        if touched:
            connection.execute(f"vacuum {touched}".encode())
    text = "\n".join(rows)
    return json.loads(text) if form == "json" else text


def _text_rows(cursor: psycopg.Cursor) -> list[tuple[Any, ...]]:
    result = cursor.pgresult
    assert result is not None
    return [(result.get_value(row, 0),) for row in range(result.ntuples)]


def _raw(value: bytes | None) -> str:
    return (value or b"").decode()


def _has(extras: Extras | None, need: str) -> bool:
    return extras is not None and bool(getattr(extras, need))
