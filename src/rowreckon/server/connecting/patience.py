"""A connection that ends where the other side takes what is sent and never answers.

The server's own time limits don't help there, nor does the network's: something (a hung proxy, a stopped process, a
port that is no server's) holds the line and acknowledges every byte.  So whoever sends a statement says how long the
server itself may take; some seconds beyond that the connection is given up, and the statement fails like any other.
"""

from __future__ import annotations

import contextlib
import math
import socket
import struct
import time
from collections.abc import Iterator
from typing import Any, Final, TypeVar

import psycopg
from psycopg.abc import PQGen

BEYOND_S: Final = 12.0
"""So long after the server should have ended a statement, it is taken for one that never answers (common practice)."""
OWN_QUESTION_S: Final = 18.0
"""How long the short questions of this tool may take, which no limit of the server bounds: milliseconds, as a rule."""
_PING_S: Final = 8
_ENCRYPTED: Final = struct.pack("!ii", 8, 80877103)
"""An SSLRequest, which every server answers with one byte (PostgreSQL's documentation, 'Message Formats')."""

Result = TypeVar("Result")


class NeverAnswered(psycopg.OperationalError):
    """The other side took the statement and gave no answer in time; the connection is closed."""


class PatientConnection(psycopg.Connection[tuple[Any, ...]]):
    """A connection whose every wait has an end; `limited` says which."""

    limit_ms: float | None = None
    """The time limit of the server that is in force, ms; 0: none; None: the tool's own short questions."""
    looks: bool = False
    """Whether to look meanwhile if the server still answers anybody."""

    def wait(self, gen: PQGen[Result], interval: float = 0.1, timeout: float | None = None) -> Result:
        """Wait for the driver's work on the connection. Raises NeverAnswered, and closes the connection."""
        rest = {} if timeout is None else {"timeout": timeout}
        try:
            return super().wait(self._bounded(gen), interval, **rest)
        except NeverAnswered:
            self.pgconn.finish()
            raise

    def _bounded(self, gen: PQGen[Result]) -> PQGen[Result]:
        """The same work, ended where nothing has come in time. The driver wakes it up several times a second."""
        begun = looked = time.monotonic()
        try:
            wanted = next(gen)
            while True:
                ready = yield wanted
                if not ready:
                    now = time.monotonic()
                    silent = self.looks and now - looked > OWN_QUESTION_S and not self._lets_in()
                    if silent or now - begun > self._patience_s():
                        raise NeverAnswered(f"the server gave no answer within {now - begun:.0f} s")
                    looked = looked if now - looked <= OWN_QUESTION_S else now
                wanted = gen.send(ready)
        except StopIteration as done:
            result: Result = done.value
            return result

    def _patience_s(self) -> float:
        if self.limit_ms is None:
            return OWN_QUESTION_S
        return self.limit_ms / 1000.0 + BEYOND_S if self.limit_ms else math.inf

    def _lets_in(self) -> bool:
        """Whether the server still answers somebody who comes anew: its one byte to the question for encryption."""
        info = self.info
        with contextlib.suppress(OSError), _dial(info.hostaddr or info.host, info.port) as line:
            line.settimeout(_PING_S)
            line.sendall(_ENCRYPTED)
            return line.recv(1) in (b"S", b"N")
        return False


def _dial(host: str, port: int) -> socket.socket:
    """A connection to where a server listens. Raises OSError."""
    if not host.startswith(("/", "@")):
        return socket.create_connection((host, port), _PING_S)
    line = socket.socket(socket.AF_UNIX)
    line.settimeout(_PING_S)
    try:
        line.connect(f"{host.replace('@', chr(0), 1)}/.s.PGSQL.{port}")
    except OSError:
        line.close()
        raise
    return line


@contextlib.contextmanager
def limited(connection: psycopg.Connection[Any], limit_ms: float, *, looks: bool = False) -> Iterator[None]:
    """For the length of the block a time limit of the server is in force, in ms; 0 stands for none.

    With `looks`, and where there is no limit, the connection is given up as well once the server lets nobody in: for
    the tool's own work, which may take long; somebody's query has only its limit.
    """
    if not isinstance(connection, PatientConnection):
        yield
        return
    before = connection.limit_ms, connection.looks
    connection.limit_ms, connection.looks = limit_ms, looks or limit_ms == 0
    try:
        yield
    finally:
        connection.limit_ms, connection.looks = before
