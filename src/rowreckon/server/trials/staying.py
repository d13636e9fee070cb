"""What a trial does when the server ends a session of its own: the attempt is given up and named, the trial goes on."""

from __future__ import annotations

import psycopg

from rowreckon.server.connecting.connection import first_line


class ConnectionLost(Exception):
    """The connection to the server went while something was tried; the message says how the server put it."""


def lost(error: psycopg.Error) -> ConnectionLost:
    """The driver's error as one that ends an attempt and not the trial."""
    return ConnectionLost(f"the connection to the server was lost: {first_line(error)}")
