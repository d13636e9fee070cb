"""Statistics that a role may not use: the query written so that the planner needs none of the hidden values, and the
documented ways to let it see them.

Who may see what is decided by whoever answers for security, so what opens data has no statement that somebody could run
unread.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.remedies import checks
from rowreckon.remedies.asked_whole import OWN_TEXT, asked_with_statistics
from rowreckon.remedies.draft import CERTAIN, SAMPLED, Draft
from rowreckon.remedies.rewriting import as_prefix, asked_whether_true
from rowreckon.remedies.subject import Subject

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.catalog.facts import Relation

_LEAKPROOF = (
    "A superuser who has read the function behind the filter's operator may mark it LEAKPROOF (ALTER FUNCTION). "
    "Or filter by an operator that is leakproof already, as = is on most types."
)
_CAUTIONS = (
    "a function marked LEAKPROOF may see rows that a policy or a view hides: what its errors tell of them is then seen",
    "the mark holds for every role and every query that uses the operator",
    "who may see what is decided by whoever answers for security: ask them first",
)
_TOLD = (
    "EXPLAIN then tells this role the share of all rows that fit this filter, also of rows hidden from it",
    "who may see what is decided by whoever answers for security: ask them first",
)
_BESIDE_A_REWRITING = 0.5
"""What the words count where a statement says the same without opening anything; common practice, no source."""


def let_statistics_be_used(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """What lets the planner use statistics on the subject's columns for this role: the query written another way where
    that is proven equal, then advice without statements."""
    table = subject.table
    if table is None or not table.name:
        return ()
    written = _as_prefix(subject, capture) or _asked_whether_true(subject, capture)
    advice = Draft(
        kind="other",
        title="Let this role use the statistics",
        sql=(),
        reason=" ".join(_ways(subject, subject.relation)),
        works=CERTAIN,
        counts=_BESIDE_A_REWRITING if written else 1.0,
        check_first=checks.leakproof_operators(table, subject.columns) if subject.columns else None,
        tables=(table,),
        columns=subject.columns,
        cautions=_CAUTIONS,
    )
    return (*written, advice)


def _as_prefix(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """The pattern as a prefix: PostgreSQL itself marks starts_with, the function of ^@, as leakproof (pg_proc)."""
    found = as_prefix(capture.query, subject) if capture.query is not None else None
    if found is None:
        return ()
    return (
        Draft(
            kind="query_rewrite",
            title="Write the pattern as a prefix",
            sql=(found.query,),
            reason="The operator ^@ asks whether a text begins with another, as LIKE does with one % at the end. "
            "Its function is leakproof, so the planner may use the statistics and filter below the view.",
            works=SAMPLED,
            undo=(),
            undo_note="send the query as it was",
            cautions=(OWN_TEXT, "where the values come from a program, it has to give the beginning without the %"),
        ),
    )


def _asked_whether_true(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """The filter under IS TRUE, with statistics on how often it is true: boolean tests take these whatever the role
    may see, since no operator is called on the values (booltestsel in selfuncs.c)."""
    if capture.query is None or not _may_read_the_columns(subject):
        return ()
    found = asked_whether_true(capture.query, subject)
    if found is None:
        return ()
    return asked_with_statistics(
        subject, capture, found, why="The planner then needs no operator that could leak a value.", cautions=_TOLD
    )


def _may_read_the_columns(subject: Subject) -> bool:
    """Whether no right to read a column is what is missing, but row security or a right to the whole table."""
    relation = subject.relation
    if relation is None or not (relation.row_security_active or not relation.selectable):
        return False
    return all(c.readable for name in subject.columns if (c := relation.column(name)) is not None)


def _ways(subject: Subject, relation: Relation | None) -> list[str]:
    unread = [c for c in subject.columns if relation is not None and (f := relation.column(c)) and not f.readable]
    if relation is not None and (unread or not relation.selectable):
        what = f"SELECT on {', '.join(unread)} of {subject.table}" if unread else f"SELECT on {subject.table}"
        return [
            f"Grant {what} to the role that reads it, if it may see the values.",
            "Through a view that is the view's owner.",
            _LEAKPROOF,
        ]
    if relation is not None and relation.row_security_active:
        return [_LEAKPROOF, "A report that may see all rows can run as a role with BYPASSRLS."]
    return [_LEAKPROOF, "A view that hides nothing from anybody can do without security_barrier."]
