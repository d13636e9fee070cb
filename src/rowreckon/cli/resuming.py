"""Captures of an earlier sweep that need not be made again, and why others have to be."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.capture import Capture
from rowreckon.captures.capture_folder import CaptureFolder
from rowreckon.cli.server_options import warn
from rowreckon.plural import counted
from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.permission import Limits
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.sweeping.run_facts import read_here, run_facts, why_another


def known_captures(
    folder: CaptureFolder,
    items: Sequence[QueryItem],
    limits: Limits,
    connection: Connection,
    *,
    unmarked: bool = False,
) -> dict[int, Capture]:
    """The captures of these items in the folder, by number, that were made here and in the same way.

    Says why others of the same name and text are not taken. With `unmarked` those are taken too that do not say where
    they were made, as captures of plans from other sessions do not. Raises StatementFailed where no answer comes.
    """
    found = folder.known({item.name: item.written or item.text for item in items})
    if not found:
        return {}
    here = read_here(connection)
    known: dict[int, Capture] = {}
    reasons: dict[str, int] = {}
    for number, item in enumerate(items):
        if item.name not in found:
            continue
        capture, altered = found[item.name]
        marked = capture.session is not None and capture.session.run is not None
        why = None if unmarked and not marked else why_another(capture, run_facts(here, item, limits)) or altered
        if why is None:
            known[number] = capture
        else:
            reasons[why] = reasons.get(why, 0) + 1
    for why, times in reasons.items():
        warn(f"{counted(times, 'query is', 'queries are')} run anew, though a capture is there: {why}")
    return known
