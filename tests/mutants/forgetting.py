"""Lets each test do its own work while mutants are tried: what an earlier test had remembered it would not reach.

mutmut runs only those tests for a mutant that reached its function in one run of all. A value that was remembered then
hid the tests that asked for it again: they were never tried.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest


@pytest.fixture(autouse=True)
def _nothing_is_remembered() -> None:
    if "MUTANT_UNDER_TEST" in os.environ:
        for forget in _forgetting(len(sys.modules)):
            forget()


@cache
def _forgetting(_: int) -> list[Callable[[], Any]]:
    """What empties the memory of each function of ours that has one, among the modules that are loaded by now."""
    ours = [module for name, module in list(sys.modules.items()) if name.startswith("rowreckon.")]
    memories = {id(value): value for module in ours for value in vars(module).values() if hasattr(value, "cache_clear")}
    return [memory.cache_clear for memory in memories.values()]
