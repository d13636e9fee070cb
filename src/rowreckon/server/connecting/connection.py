"""Connecting to a server, and saying where one is connected without ever saying the password.

DSNs follow libpq: a connection string or URI, PG* variables, service files and .pgpass fill what it leaves out.
"""

from __future__ import annotations

import contextlib
import os
import select
from collections.abc import Iterator
from typing import Any

import psycopg
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from rowreckon.errors import CannotConnect, UsageError
from rowreckon.server.connecting.patience import NeverAnswered, PatientConnection
from rowreckon.server.connecting.words import message

# libpq's parameters whose values are nobody else's business
_SECRET = (
    "password",
    "sslpassword",
    "passfile",
    "sslkey",
    "service",
    "servicefile",
    "oauth_client_secret",
    "scram_client_key",
    "scram_server_key",
)

_NOTICE_LOSS = {
    "keepalives_idle": "10",
    "keepalives_interval": "5",
    "keepalives_count": "3",
    "tcp_user_timeout": "25000",
}
"""libpq's parameters by which a network that swallows everything is noticed within half a minute (s; the last in ms);
the system's own take hours."""

Connection = psycopg.Connection[tuple[Any, ...]]


@contextlib.contextmanager
def connected(dsn: str, *, connect_timeout_s: int = 10, application_name: str = "rowreckon") -> Iterator[Connection]:
    """Connect, yield the connection in autocommit mode (the executor opens its own transactions), close it.

    Raises UsageError for a DSN that can't be read, CannotConnect where the server does not let us in.
    """
    parameters = dsn_parameters(dsn)
    parameters.setdefault("application_name", application_name)
    # everything is sent as UTF-8, whatever the database's own encoding is
    parameters["client_encoding"] = "UTF8"
    parameters.setdefault("connect_timeout", str(connect_timeout_s))
    for name, value in _NOTICE_LOSS.items():
        parameters.setdefault(name, value)
    try:
        # prepare_threshold None: no statement of the driver's own stays behind on a pooled server connection
        connection = PatientConnection.connect(make_conninfo("", **parameters), autocommit=True, prepare_threshold=None)
    except psycopg.Error as error:
        raise cannot_connect(dsn, error) from None
    try:
        yield connection
    finally:
        with contextlib.suppress(psycopg.Error):
            connection.close()


def ended(connection: Connection) -> bool:
    """Whether the server has ended the session while nothing was asked of it: for being idle, or by its administrator.

    Asks only where the server has sent something unasked, so that it costs nothing in all other cases.
    """
    if connection.closed:
        return True
    if not select.select([connection.fileno()], [], [], 0)[0]:
        return False
    try:
        connection.execute(b"SELECT 1")
    except psycopg.Error:
        return bool(connection.closed)
    return False


def keep_open(connection: Connection) -> None:
    """Ask the server not to end this session for being idle, for as long as it lasts: for sessions that wait while
    others work. Not through a pooler, whose sessions are lent."""
    if connection.info.server_version >= 140000:
        with contextlib.suppress(psycopg.Error):
            connection.execute(b"SET idle_session_timeout = 0")


def dsn_parameters(dsn: str) -> dict[str, Any]:
    """The DSN's parts.  Raises UsageError without repeating the DSN, which may hold a password."""
    try:
        return {name: value for name, value in conninfo_to_dict(dsn).items() if value is not None}
    except psycopg.Error:
        raise UsageError(
            "the connection string can't be read",
            where="--dsn",
            hint="write it as 'host=… dbname=… user=…' or as postgresql://user@host/database",
        ) from None


def place(connection: Connection) -> str:
    """Where a connection leads, for reports: user, host, port and database; no password, nothing of a service file."""
    info = connection.info
    service = service_of(info.dsn)
    if service is not None:
        return f"the server of service {service!r}"
    return f"{info.user}@{info.host or info.hostaddr or 'local'}:{info.port}/{info.dbname}"


def cannot_connect(dsn: str, error: psycopg.Error) -> CannotConnect:
    """The driver's error as one sentence, with every secret of the DSN cut out, and none of a service file let in."""
    service = service_of(dsn)
    if service is not None:
        told = f" (SQLSTATE {error.sqlstate})" if error.sqlstate else ""
        return CannotConnect(
            f"no connection could be made with the parameters of service {service!r}{told}",
            hint="check its entry in the service file; psql with it says more",
            sqlstate=error.sqlstate,
        )
    message = without_secrets(first_line(error), dsn)
    return CannotConnect(
        message.removesuffix("."),
        hint="check host, port, database and role of --dsn, and that the server lets this machine in",
        sqlstate=error.sqlstate,
    )


def service_of(dsn: str) -> str | None:
    """The service whose file entry fills the DSN up, named by the DSN or by PGSERVICE; None without one."""
    name = dsn_parameters(dsn).get("service") or os.environ.get("PGSERVICE")
    return str(name) if name else None


def without_secrets(text: str, dsn: str) -> str:
    """The text with the DSN's password and the like replaced by stars."""
    for name in _SECRET:
        value = str(dsn_parameters(dsn).get(name, ""))
        if value:
            text = text.replace(value, "***")
    return text


def first_line(error: psycopg.Error) -> str:
    """The server's primary message, or the first line of the driver's; masked where the command is to mask."""
    if isinstance(error, NeverAnswered):
        return str(error)
    primary = error.diag.message_primary
    lines = str(error).strip().splitlines()
    return message(primary or (lines[0] if lines else type(error).__name__), error.sqlstate)
