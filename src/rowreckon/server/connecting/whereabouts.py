"""Whether a server stands on this machine, and whether running queries there needs somebody's word.

Decided by the address that the connection really has. A tunnel or a proxy on this machine looks like this machine:
nothing that a client sees tells them apart.
"""

from __future__ import annotations

import contextlib
import ipaddress
from collections.abc import Callable, Sequence

import psycopg

from rowreckon.errors import StatementFailed, StatementRefused
from rowreckon.server.connecting.connection import Connection, first_line, place

Confirm = Callable[[str], bool] | None
"""Asks a person yes or no; None where nobody can be asked."""


def on_this_machine(connection: Connection) -> bool:
    """Whether the connection goes over a local socket or a loopback address."""
    info = connection.info
    host = info.host or ""
    if host.startswith(("/", "@")):
        return True
    address = info.hostaddr if info.hostaddr else host
    with contextlib.suppress(ValueError):
        return ipaddress.ip_address(address.partition("%")[0]).is_loopback
    return False


def is_allowed(connection: Connection, allow: Sequence[str]) -> bool:
    """Whether an entry of the allow list (host, host:port, host/database, host:port/database) names the server."""
    info = connection.info
    hosts = {part for part in (info.host, info.hostaddr) if part}
    for entry in allow:
        server, _, database = entry.partition("/")
        if database and database != info.dbname:
            continue
        if server.strip("[]") in hosts or any(server in (f"{h}:{info.port}", f"[{h}]:{info.port}") for h in hosts):
            return True
    return False


def in_recovery(connection: Connection) -> bool:
    """Whether the server is a standby. Raises StatementFailed."""
    try:
        row = connection.execute(b"select pg_catalog.pg_is_in_recovery()").fetchone()
    except psycopg.Error as error:
        raise StatementFailed(f"the server did not answer: {first_line(error)}", sqlstate=error.sqlstate) from None
    return bool(row and row[0])


def require_permission(
    connection: Connection, *, allow: Sequence[str], yes: bool, standby: bool, confirm: Confirm
) -> None:
    """Nothing where queries may be run on this server; raises StatementRefused where they may not."""
    if in_recovery(connection) and not standby:
        raise StatementRefused(
            f"{place(connection)} is a standby: long queries delay replay or are cancelled, and counters are empty",
            hint="sweep a primary's copy, or give --allow-standby",
        )
    if yes or on_this_machine(connection) or is_allowed(connection, allow):
        return
    where = place(connection)
    if confirm is None:
        raise StatementRefused(
            f"{where} is not on this machine, and nobody can be asked about it",
            hint="give --yes, or name the server in the configuration's allow list",
        )
    question = f"{where} is not on this machine. Every query of the list will be executed there. Go on?"
    if not confirm(question):
        raise StatementRefused(f"nothing was executed on {where}", hint="sweep a development copy")
