"""How long others wait for the locks of a trial in place."""

from __future__ import annotations

import pytest

from tests.trial.test_in_place import active as active
from tests.trial.test_in_place import stays as stays
from tests.trial.test_in_place import waits_of_a_writer


@pytest.mark.full
@pytest.mark.server
def test_locks_are_held_for_a_bounded_time(stays: str) -> None:
    """A writer that waits for the rollback waits no longer than --hold, whatever the queries take."""
    assert 0.05 < max(waits_of_a_writer(stays)) < 1.0
