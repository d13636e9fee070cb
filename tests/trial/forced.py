"""The time of a query's default plan and of the best plan that switching join methods off can bring, by the clock.

Measured with nothing of the tool: plain EXPLAIN (ANALYZE, TIMING OFF) in a loop, the plans taking turns. Where the
system tells it, the clock is that of the server process's own time on a processor, which for data in memory is its time
on an idle machine, whatever else runs meanwhile; elsewhere it is the server's Execution Time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

import psycopg

Connection = psycopg.Connection[Any]
SWITCHES = ("enable_hashjoin", "enable_mergejoin", "enable_nestloop")
CHOICES: tuple[tuple[str, ...], ...] = tuple(c for size in (0, 1, 2) for c in combinations(SWITCHES, size))


@dataclass(frozen=True)
class Gap:
    """`default_ms` and `best_ms` are the fastest runs, those least disturbed by whatever else runs on the machine;
    `best_off` the switches that were off for the best."""

    name: str
    default_ms: float
    best_ms: float
    best_off: tuple[str, ...]

    @property
    def ms(self) -> float:
        """What forcing brings back."""
        return self.default_ms - self.best_ms

    @property
    def counts(self) -> bool:
        """The bar's gaps: at least 1.3 times and 20 ms."""
        return self.ms >= 20.0 and self.default_ms >= 1.3 * self.best_ms


def measure_gap(connection: Connection, name: str, query: str, *, rounds: int = 3) -> Gap:
    """All plans of a query in turn; the first round warms up and sets how long a slower plan may take."""
    plans = _different(connection, query)
    times: dict[tuple[str, ...], list[float]] = {off: [] for off in plans}
    limit = 0.0
    for number in range(rounds + 1):
        for off in plans:
            if off and not times.get(off) and number > 1:
                continue
            ms = run_on_processor(connection, query, off, limit_ms=limit if off else 0.0)
            if number == 0 and not off and ms is not None:
                limit = max(10 * ms, 1000.0)  # of the wall clock, which on a loaded machine runs faster
            if number and ms is not None:
                times[off].append(ms)
    fastest = {off: min(found) for off, found in times.items() if len(found) == rounds}
    best = min(fastest, key=lambda off: fastest[off])
    return Gap(name, fastest[()], fastest[best], best)


def run(connection: Connection, query: str, off: Sequence[str] = (), *, limit_ms: float = 0.0) -> float | None:
    """The execution time, ms; None where it was cancelled at the limit."""
    try:
        with connection.transaction(force_rollback=True):
            for name in off:
                connection.execute(f"set local {name} = off".encode())
            connection.execute(f"set local statement_timeout = {int(limit_ms)}".encode())
            row = connection.execute(f"explain (analyze, timing off, format json) {query}".encode()).fetchone()
    except psycopg.errors.QueryCanceled:
        return None
    assert row is not None
    return float(row[0][0]["Execution Time"])


def run_on_processor(
    connection: Connection, query: str, off: Sequence[str] = (), *, limit_ms: float = 0.0
) -> float | None:
    """The same in time on a processor."""
    begun = _on_processor_ms(connection)
    wall = run(connection, query, off, limit_ms=limit_ms)
    ended = _on_processor_ms(connection)
    return ended - begun if begun is not None and ended is not None and wall is not None else wall


def _on_processor_ms(connection: Connection) -> float | None:
    """What the session's process has had of processors (Linux: the first figure of schedstat, ns)."""
    try:
        text = Path(f"/proc/{connection.info.backend_pid}/schedstat").read_text()
    except OSError:
        return None
    return int(text.split()[0]) / 1e6


def plan_text(connection: Connection, query: str) -> str:
    """The plan without its figures, as the server prints it."""
    return "\n".join(str(r[0]) for r in connection.execute(f"explain (costs off) {query}".encode()).fetchall())


def _different(connection: Connection, query: str) -> list[tuple[str, ...]]:
    """The choices of switches that bring plans of their own."""
    seen: dict[str, tuple[str, ...]] = {}
    for off in CHOICES:
        with connection.transaction(force_rollback=True):
            for name in off:
                connection.execute(f"set local {name} = off".encode())
            seen.setdefault(plan_text(connection, query), off)
    return list(seen.values())
