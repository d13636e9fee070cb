"""Fixtures live in plugin modules beside the tests that they serve; this file only names them."""

import signal
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

from rowreckon.server.connecting.words import mask_messages

pytest_plugins = ["tests.servers.fixtures", "tests.long_first", "tests.mutants.forgetting"]

# How long an example takes says more about what else the machine does than about the code: time has its own benchmarks.
settings.register_profile("shared machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("shared machine")

# Whoever starts the tests in a shell's background has them ignore Ctrl-C, and their children with them.
signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(autouse=True)
def _messages_unmasked() -> Iterator[None]:
    """A command run in this process may have had the server's messages masked: that is for its own run alone."""
    yield
    mask_messages(False)
