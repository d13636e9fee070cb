"""What reading hands on: plans in the shape of PostgreSQL's FORMAT JSON, and places that could not be read."""

from __future__ import annotations

from dataclasses import field
from typing import Any

from rowreckon.frozen import frozen


@frozen
class RawPlan:
    """One plan found in a text, not yet checked against the typed tree.

    `document` has the shape of one object of `EXPLAIN (FORMAT JSON)`: `{"Plan": {…}, "Planning Time": …}`, keys
    in PostgreSQL's spelling, whatever the form it came in. `form` is "json", "text", "yaml", "xml" or
    "capture" (a capture file of this package, passed through as it stands). `where` is its place in the
    input ("line 12"). `query` is the statement found beside it, or None. `notes` say in one sentence each what was
    mended, or what the form can't carry. `extra` holds what a log entry says besides: timestamp, database,
    user, duration_ms, query_id and so on.
    """

    document: dict[str, Any]
    form: str
    where: str
    query: str | None = None
    notes: tuple[str, ...] = ()
    extra: dict[str, Any] = field(default_factory=dict)


@frozen
class Rejected:
    """A place that looked like a plan and could not be read: why, in one clause, and where."""

    reason: str
    where: str
