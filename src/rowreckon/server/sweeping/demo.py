"""The demonstration: an embedded server, the sample database, and its query list run by the one safe executor."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rowreckon.capture import Capture
from rowreckon.server.connecting.connection import Connection, connected
from rowreckon.server.connecting.patience import limited
from rowreckon.server.own.embedded import embedded_server
from rowreckon.server.samples.build import build_samples, sample_queries
from rowreckon.server.sweeping.measure import SweepRules
from rowreckon.server.sweeping.sweep import sweep

# what is being done, how many steps of it are done, how many there are
DemoProgress = Callable[[str, int, int], None]


def run_demo(
    progress: DemoProgress | None = None, also: Callable[[Connection, list[Capture]], None] | None = None
) -> list[Capture]:
    """Everything from nothing: start a server, build the samples, sweep the list, stop the server.

    `also` is called before it stops, with a connection and the captures. Gives one capture for each query of the list,
    in order, each with the catalog facts of its plan; after Ctrl-C the queries that were not run say so. Raises
    CannotStart. Needs no network; takes some seconds and about 200 MB of disk while it runs.
    """
    report = progress or _silent
    report("starting a PostgreSQL server", 0, 1)
    with sample_database(report) as dsn:
        swept = sweep(
            lambda: connected(dsn),
            sample_queries(),
            SweepRules(),
            progress=lambda step, done, total: report(f"running {step}" if done < total else step, done, total),
        )
        if also is not None:
            with connected(dsn) as connection:
                also(connection, swept.captures)
        return swept.captures


@contextmanager
def sample_database(progress: DemoProgress | None = None) -> Iterator[str]:
    """A server of one's own with the sample database in it, for as long as the block lasts; its DSN."""
    report = progress or _silent
    with embedded_server() as dsn:
        with connected(dsn) as connection, limited(connection, 0):
            build_samples(connection, lambda step, done, total: report(f"building the samples: {step}", done, total))
        yield dsn


def _silent(step: str, done: int, total: int) -> None:
    """Report nothing."""
