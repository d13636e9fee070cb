"""The demonstration: an embedded server, the sample database, and its query list run by the one safe executor."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rowreckon.capture import Capture

from .captured import captures_with_facts
from .connection import connected
from .embedded import embedded_server
from .execute import Executor, QueryRun
from .permission import Limits, SafetyPermission
from .samples.build import build_samples, sample_queries

# what is being done, how many steps of it are done, how many there are
DemoProgress = Callable[[str, int, int], None]


def run_demo(progress: DemoProgress | None = None) -> list[Capture]:
    """Everything from nothing: start a server, build the samples, run the list, read the facts, stop the server.

    Gives one capture for each query of the list, in order, each with the catalog facts of its plan.  Raises
    CannotStart.  Needs no network; takes some seconds and about 200 MB of disk while it runs.
    """
    report = progress or _silent
    report("starting a PostgreSQL server", 0, 1)
    with sample_database(report) as dsn, connected(dsn) as connection:
        executor = Executor(connection, SafetyPermission(), Limits(statement_ms=60_000))
        items = sample_queries()
        runs: list[QueryRun] = []
        for done, item in enumerate(items):
            report(f"running {item.name}", done, len(items))
            runs.append(executor.run(item))
        report("reading the catalog's facts", len(items), len(items))
        return captures_with_facts(connection, runs)


@contextmanager
def sample_database(progress: DemoProgress | None = None) -> Iterator[str]:
    """A server of one's own with the sample database in it, for as long as the block lasts; its DSN."""
    report = progress or _silent
    with embedded_server() as dsn:
        with connected(dsn) as connection:
            build_samples(connection, lambda step, done, total: report(f"building the samples: {step}", done, total))
        yield dsn


def _silent(step: str, done: int, total: int) -> None:
    """Report nothing."""
