"""The product's answers on the third bench, held to the bars of all; `-s` prints the report, case by case."""

from __future__ import annotations

import pytest

from tests.second_faults.bars import HeldToTheBars

from .bench import FAULTS, TRAPS

pytestmark = pytest.mark.full


class TestAnswers(HeldToTheBars):
    """The whole bench."""

    faults, traps = FAULTS, TRAPS
