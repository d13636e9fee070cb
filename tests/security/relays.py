"""A server that stands elsewhere: its socket behind a port at an address of this machine that is not the loopback's."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator

from psycopg.conninfo import conninfo_to_dict, make_conninfo


def own_address() -> str | None:
    """An address of this machine beside the loopback's, or None where it has none; nothing is sent.

    The address asked about is one of the documentation range (RFC 5737).
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("198.51.100.1", 9))
        except OSError:
            return None
        address: str = probe.getsockname()[0]
    return None if address.startswith("127.") else address


@contextlib.contextmanager
def elsewhere(dsn: str, address: str) -> Iterator[str]:
    """The connection string by way of this address; each connection is handed on to the server's own socket."""
    parts = conninfo_to_dict(dsn)
    target = f"{parts['host']}/.s.PGSQL.{parts['port']}"
    with socket.create_server((address, 0)) as door:
        threading.Thread(target=_receive, args=(door, target), daemon=True).start()
        yield make_conninfo(dsn, host=address, port=door.getsockname()[1])


def _receive(door: socket.socket, target: str) -> None:
    while True:
        try:
            guest, _ = door.accept()
        except OSError:
            return
        server = socket.socket(socket.AF_UNIX)
        server.connect(target)
        for source, sink in ((guest, server), (server, guest)):
            threading.Thread(target=_hand_on, args=(source, sink), daemon=True).start()


def _hand_on(source: socket.socket, sink: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while part := source.recv(65536):
            sink.sendall(part)
    with contextlib.suppress(OSError):
        sink.shutdown(socket.SHUT_WR)
