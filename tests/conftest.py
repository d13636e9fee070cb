"""Fixtures live in plugin modules beside the tests that they serve; this file only names them."""

pytest_plugins = ["tests.servers.fixtures"]
