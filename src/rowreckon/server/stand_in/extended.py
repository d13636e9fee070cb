"""Writing extended statistics into a stand-in's catalogs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from rowreckon.server.connecting.connection import Connection
from rowreckon.stand_in.facts import StandInFacts


def write_extended(admin: Connection, maker: Connection, facts: StandInFacts, oids: Mapping[int, int]) -> Iterator[str]:
    """The data of statistics objects; gives what could not be written, in parts of sentences."""
    del admin, maker, oids
    for each in facts.extended:
        yield f"the statistics object {each.name} has no data"
