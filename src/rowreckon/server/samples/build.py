"""Building the sample database, and its query list."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files

from rowreckon.server.connecting.connection import Connection
from rowreckon.server.lists.options import setting_statements, with_settings
from rowreckon.server.lists.querylist import QueryItem, read_query_list, split_named

# step, how many steps are done, how many there are
Progress = Callable[[str, int, int], None]

DESK = "hut_desk"
"""The role of the samples whom row security restricts."""
_SCRIPTS = ("schema.sql", "rows.sql", "finish.sql")


def sample_script(name: str) -> str:
    """The text of one of the scripts: schema.sql, rows.sql, finish.sql, queries.sql, desk_queries.sql."""
    return files(__package__).joinpath(name).read_text(encoding="utf-8")


def sample_queries() -> tuple[QueryItem, ...]:
    """The query lists of the sample database: the owner's, and the desk's as `--role` has it run."""
    desk = setting_statements(DESK, ())
    return (
        *read_query_list(sample_script("queries.sql")),
        *with_settings(read_query_list(sample_script("desk_queries.sql")), desk),
    )


def build_samples(connection: Connection, progress: Progress | None = None) -> None:
    """Make the tables, rows, indexes and statistics in the (empty) database that the connection is in.

    Takes a few seconds; the same rows come out on every server.  The connection must be in autocommit mode.
    """
    statements = [part for script in _SCRIPTS for part in split_named(sample_script(script))]
    for done, (name, text) in enumerate(statements):
        if progress is not None:
            progress(name, done, len(statements))
        connection.execute(text.encode())
    if progress is not None:
        progress("done", len(statements), len(statements))
