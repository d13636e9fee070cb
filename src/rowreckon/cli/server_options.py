"""What the commands that connect to a server share: connecting, asking a person, telling what was decided."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING

import typer

from rowreckon.signals import stopped_by

if TYPE_CHECKING:
    from rowreckon.server.connecting.connection import Connection
    from rowreckon.server.connecting.permission import Limits, SafetyPermission
    from rowreckon.server.lists.querylist import QueryItem


def connector(dsn: str) -> Callable[[], AbstractContextManager[Connection]]:
    """A function that connects with this DSN. Raises UsageError for one that can't be read."""
    from rowreckon.server.connecting.connection import connected, dsn_parameters

    dsn_parameters(dsn)
    return lambda: connected(dsn)


def confirm() -> Callable[[str], bool] | None:
    """A way to ask a person, or None where nobody sits at a terminal."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return None
    return _asked


def _asked(question: str) -> bool:
    try:
        return typer.confirm(question, default=False, err=True)
    except typer.Abort:
        if stopped_by() is not None:
            raise KeyboardInterrupt from None
        return False  # the input ended: nobody said yes


def warn(text: str) -> None:
    """One line on standard error."""
    from rowreckon.report.words.escape import clean

    typer.echo(f"rowreckon: {clean(text)}", err=True)


def tell_named(
    connection: Connection, items: Sequence[QueryItem], permission: SafetyPermission, limits: Limits
) -> None:
    """Name the functions that the items may run on the word of their declaration, before any item runs."""
    from rowreckon.server.executing.beforehand import named_beforehand

    named = named_beforehand(connection, items, permission, limits)
    if named:
        warn(f"declared immutable or stable, taken at their word, these functions may run: {', '.join(named)}")
