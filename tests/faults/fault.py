"""What a seeded fault is: tables in which exactly one thing is wrong, a query that suffers, and the cause's code."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One case of the library.

    `setup` runs in an empty schema on a session of its own; `before` on the session that explains (prepared
    statements, roles, temporary tables). `cause` is None for a trap: nothing is wrong, or nothing is to be won.
    `curable` is False where no change of statistics or indexes mends it, and then no remedy is demanded.
    """

    name: str
    cause: str | None
    setup: str
    query: str
    before: tuple[str, ...] = ()
    curable: bool = True
    also: tuple[str, ...] = ()
    """Further codes that are right as well, where two causes really meet."""
    literal: str | None = None
    """A query for the value that stands in the query as {literal}, where only the statistics tell which one suffers."""
    source: str = "own data"
    """Whose description the data follow, where it is a published one."""
    threshold: float = 10
    """The q-error from which on a count is misestimated, as `--threshold` takes it."""
    settings: tuple[str, ...] = ("set max_parallel_workers_per_gather = 0", "set jit = off")


GUESTS = """
create table guests(id int primary key, name text, city text, pad text);
insert into guests select i, 'Guest ' || i, 'city ' || i % 97, repeat('g', 40) from generate_series(1, {rows}) i;
analyze guests;
"""


def guests(rows: int) -> str:
    """The table that suffering queries look up by its key."""
    return GUESTS.format(rows=rows)
