"""What a trial costs before it starts, in words, and whether it needs somebody's word."""

from __future__ import annotations

from dataclasses import dataclass

from rowreckon.plural import counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """The source database and what stands in a copy's way. Sizes in kB.

    `sessions` are other sessions on the source, in words; `obstacles` forbid a copy whatever anybody says;
    `free_kb` is the free space on the volume of the database's tablespace, None where it can't be known from here.
    """

    database: str
    size_kb: float
    sessions: tuple[str, ...] = ()
    foreign_servers: tuple[str, ...] = ()
    event_triggers: int = 0
    obstacles: tuple[str, ...] = ()
    free_kb: float | None = None
    here: bool = False


_ROOM = 1.1
"""A copy and what is built on it are reckoned as this times the database's size; common practice, no source."""


def copies_that_fit(price: Price, *, most: int = 2, space_kb: float | None = None) -> int:
    """How many copies at once fit into the space allowed and the space that is free: 0, 1 or 2."""
    bounds = [b for b in (space_kb, price.free_kb) if b is not None]
    for copies in range(most, 0, -1):
        if all(copies * price.size_kb * _ROOM <= bound for bound in bounds):
            return copies
    return 0


def price_lines(price: Price, copies: int) -> tuple[str, ...]:
    """The price, a sentence a line."""
    each = size(price.size_kb)
    lines = [
        f"A copy of database {price.database} takes {each}, {_copies_words(copies, each, price.size_kb)}",
        "While it is made, new logins to that database wait, and no other session may be on it. A running autovacuum"
        " of it is interrupted.",
        "The copies are dropped afterwards; the source keeps its rows, statistics and sizes.",
    ]
    if price.sessions:
        lines.append(f"Sessions that stand in the way now: {'; '.join(price.sessions)}.")
    if price.foreign_servers:
        names = ", ".join(price.foreign_servers)
        lines.append(f"Foreign tables of the copy still reach the real remote servers: {names}.")
    if price.event_triggers:
        lines.append(
            f"{counted(price.event_triggers, 'event trigger is', 'event triggers are')} copied too; on the copy they"
            " fire as well."
        )
    if price.free_kb is not None:
        lines.append(f"Free on the volume of its tablespace: {size(price.free_kb)}.")
    else:
        lines.append("How much is free on the volume of its tablespace cannot be known from here: look before.")
    return tuple(lines)


def _copies_words(copies: int, each: str, size_kb: float) -> str:
    if copies >= 2:
        return (
            f"two at a time, {size(2 * size_kb)} together. One stays unchanged and the other has a change, so that runs"
            " can take turns. The source is copied once; every further copy is made from the unchanged one."
        )
    return f"one at a time: it is made afresh from the source before every change, {each} each time."


def needs_word(price: Price, copies: int, ask_above_kb: float) -> bool:
    """Small copies on this machine's own servers need nobody's word, where it is known that they fit."""
    if not price.here or price.free_kb is None:
        return True
    return bool(price.foreign_servers) or copies * price.size_kb > ask_above_kb


def size(kb: float) -> str:
    """A size in words."""
    for limit, unit, factor in ((1024.0, "kB", 1.0), (1024.0**2, "MB", 1024.0), (1024.0**3, "GB", 1024.0**2)):
        if kb < limit:
            return f"{kb / factor:,.0f} {unit}"
    return f"{kb / 1024.0**3:,.1f} TB"
