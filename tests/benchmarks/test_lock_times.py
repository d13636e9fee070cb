"""How long others wait for the locks of a trial in place."""

from __future__ import annotations

import threading
import time

import psycopg
import pytest

from rowreckon.server.connecting.connection import connected
from rowreckon.server.lists.querylist import read_query_list
from rowreckon.server.trials.in_place import InPlace
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.stage import Clock
from tests.trial.test_in_place import QUERIES, TABLE
from tests.trial.test_in_place import _attempt as attempt_for
from tests.trial.test_in_place import active as active
from tests.trial.test_in_place import stays as stays


@pytest.mark.full
@pytest.mark.server
def test_locks_are_held_for_a_bounded_time(stays: str) -> None:
    """A writer that waits for the rollback waits no longer than --hold, whatever the queries take."""
    assert 0.05 < max(waits_of_a_writer(stays)) < 1.0


def waits_of_a_writer(stays: str) -> list[float]:
    """How long a writer's updates take (s) while a change is tried in place that holds its locks for 120 ms."""
    waited: list[float] = []

    def write() -> None:
        with psycopg.connect(stays, autocommit=True) as writer:
            while not done.is_set():
                begun = time.perf_counter()
                writer.execute(f"update {TABLE} set status = status where id = 0")
                waited.append(time.perf_counter() - begun)

    done = threading.Event()
    thread = threading.Thread(target=write)
    thread.start()
    try:
        slow = QUERIES.replace("where s.status = 'open'", "where s.id % 150 = 0 and pg_sleep(0.001) is not null")
        result, attempt = attempt_for(('CREATE INDEX stay_hut ON "Lower Huts"."Stay Log" (hut)',))
        with connected(stays) as connection:
            rules = TrialRules(hold_ms=120.0)
            place = InPlace(connection, result, read_query_list(slow), rules, Clock(60_000), lambda _: None)
            measured = place.try_(attempt)
    finally:
        done.set()
        thread.join()
    assert measured.not_applied is None
    assert waited
    assert "time to hold locks" in (measured.queries[0].reason or "")
    return waited
