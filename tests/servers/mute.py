"""Something between a client and a server that stops passing anything on: every byte is taken, none is answered."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field

from psycopg.conninfo import conninfo_to_dict, make_conninfo


@dataclass
class MuteProxy:
    """Passes bytes on to `target` until a client sends `word`; from then on it is mute to that client.

    With `to_all` it is mute to whoever comes afterwards as well.
    """

    target: tuple[str, int] | str | None
    word: bytes
    to_all: bool
    listener: socket.socket
    mute: bool = False
    sockets: list[socket.socket] = field(default_factory=list)

    def serve(self) -> None:
        """Take clients until the listener is closed."""
        with contextlib.suppress(OSError):
            while True:
                client, _ = self.listener.accept()
                self.sockets.append(client)
                threading.Thread(target=self._one, args=(client,), daemon=True).start()

    def _one(self, client: socket.socket) -> None:
        with contextlib.suppress(OSError):
            if self.target is None or (self.mute and self.to_all):
                while client.recv(65536):
                    pass
                return
            if isinstance(self.target, str):
                server = socket.socket(socket.AF_UNIX)
                server.connect(self.target)
            else:
                server = socket.create_connection(self.target)
            self.sockets.append(server)
            silent = threading.Event()
            threading.Thread(target=_back, args=(server, client, silent), daemon=True).start()
            sent = b""
            while chunk := client.recv(65536):
                sent = (sent + chunk)[-200_000:]
                if self.word and self.word in sent:
                    self.mute = True
                    silent.set()
                if not silent.is_set():
                    server.sendall(chunk)
            server.close()


def _back(server: socket.socket, client: socket.socket, silent: threading.Event) -> None:
    with contextlib.suppress(OSError):
        while chunk := server.recv(65536):
            if not silent.is_set():
                client.sendall(chunk)
        if not silent.is_set():
            client.shutdown(socket.SHUT_WR)


@contextlib.contextmanager
def mute_proxy(dsn: str | None, word: str = "", *, to_all: bool = True) -> Iterator[tuple[MuteProxy, str]]:
    """The proxy and a DSN that leads through it; without a `dsn` a port at which nobody ever answers."""
    parts = conninfo_to_dict(dsn or "user=guest dbname=huts")
    target: tuple[str, int] | str | None = None
    if dsn is not None:
        host, port = str(parts.get("host") or "localhost"), int(parts.get("port") or 5432)
        target = f"{host}/.s.PGSQL.{port}" if host.startswith("/") else (host, port)
    listener = socket.create_server(("127.0.0.1", 0))
    proxy = MuteProxy(target, word.encode(), to_all, listener)
    threading.Thread(target=proxy.serve, daemon=True).start()
    try:
        rest = {name: value for name, value in parts.items() if name not in ("host", "hostaddr", "port", "sslmode")}
        yield proxy, make_conninfo("", **rest, host="127.0.0.1", port=listener.getsockname()[1], sslmode="disable")
    finally:
        listener.close()
        for each in proxy.sockets:
            each.close()
