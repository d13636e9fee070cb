"""A filter asked as a whole whether it is true: statistics of that truth are taken, whatever the filter's own operators
could tell the planner (booltestsel in selfuncs.c)."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.remedies.draft import SAMPLED, Draft, major, targets
from rowreckon.remedies.readable import Unreadable, read_expressions
from rowreckon.remedies.rewriting import Rewritten, asked_whether_true
from rowreckon.remedies.statistics import statistics_object

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.remedies.subject import Subject

_EXPRESSIONS_FROM = 14
"""Release from which on CREATE STATISTICS takes expressions."""

OWN_TEXT = "it changes the text of this query alone: the program that sends it has to send the new one"


def asked_whole(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """The subject's one filter asked so, where a coarse rule estimates it; nothing for a query of another shape."""
    found = asked_whether_true(capture.query, subject) if capture.query is not None else None
    if found is None:
        return ()
    return asked_with_statistics(subject, capture, found, why="The planner then needs no rule for the filter.")


def asked_with_statistics(
    subject: Subject, capture: Capture, found: Rewritten, *, why: str, cautions: tuple[str, ...] = ()
) -> tuple[Draft, ...]:
    """The query in its new form, and statistics of how often the condition that changed is true; from 14 on.

    `why` says what that brings, `cautions` what it may cost beside the usual.
    """
    if (major(capture) or 0) < _EXPRESSIONS_FROM:
        return ()
    try:
        (condition,) = read_expressions((found.condition,))
    except Unreadable:
        return ()
    statistics = statistics_object(
        replace(subject, expressions=(condition,)),
        capture,
        tables=targets(subject),
        members=(f"({condition})",),
        columns=found.columns,
        kinds=(),
        target=100,
        reason=f"Let statistics tell how often ({condition}) is true, and ask for that: (…) IS TRUE keeps the same "
        f"rows. {why}",
        works=SAMPLED,
    )
    draft = replace(
        statistics,
        kind="query_rewrite",
        title="Ask whether the filter is true, with its own statistics",
        sql=(*statistics.sql, found.query),
        undo_note="then send the query as it was. The fresh column statistics that its ANALYZE wrote remain",
        cautions=(
            OWN_TEXT,
            "an index on the filter's columns does not find rows by (…) IS TRUE",
            *cautions,
            "the statistics serve this value alone: another value of the filter needs its own",
            *statistics.cautions,
        ),
    )
    return (draft,)
