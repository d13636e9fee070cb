"""Statistics that a role may not use: the documented ways to let it, told in words.

Who may see what is decided by whoever answers for security, so no statement is written that somebody could run unread.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.remedies import checks
from rowreckon.remedies.draft import CERTAIN, Draft
from rowreckon.remedies.subject import Subject

if TYPE_CHECKING:
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


def let_statistics_be_used(subject: Subject) -> tuple[Draft, ...]:
    """What lets the planner use the statistics of the subject's columns for this role; advice without statements."""
    table = subject.table
    if table is None or not table.name:
        return ()
    return (
        Draft(
            kind="other",
            title="Let this role use the statistics",
            sql=(),
            reason=" ".join(_ways(subject, subject.relation)),
            works=CERTAIN,
            check_first=checks.leakproof_operators(table, subject.columns) if subject.columns else None,
            tables=(table,),
            columns=subject.columns,
            cautions=_CAUTIONS,
        ),
    )


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
