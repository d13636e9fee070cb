"""The product's answers on the whole bench, on two releases, held to the bars; in every run four, drawn by lot."""

from __future__ import annotations

from pathlib import Path

import pytest

from rowreckon import releases
from tests.servers.fixtures import Servers

from .bars import HeldToTheBars, held
from .bench import FAULTS, SAMPLE, TRAPS
from .model import Fault


@pytest.mark.parametrize("fault", SAMPLE, ids=lambda fault: fault.name)
def test_a_fault_drawn_by_lot_is_found_and_mended(servers: Servers, fault: Fault, tmp_path: Path) -> None:
    held(servers(releases.NEWEST).dsn, fault, tmp_path)


@pytest.mark.full
class TestAnswers(HeldToTheBars):
    """The whole bench."""

    faults, traps = FAULTS, TRAPS
