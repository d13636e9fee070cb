"""What a trial will try: the remedies asked for, as attempts, and what can't be tried and why."""

from __future__ import annotations

import re
from collections.abc import Sequence

from rowreckon.document.audit import Audit, Remedy
from rowreckon.errors import UsageError

from .measured import Attempt

_SETTING = re.compile(r"set\s+(?!local\b)(?:session\s+)?(.+)", re.IGNORECASE | re.DOTALL)
_DROPS_INDEX = re.compile(r"drop\s+index\b", re.IGNORECASE)
_OUTSIDE = re.compile(r"(create|drop|reindex)\b.*\bconcurrently\b|vacuum\b", re.IGNORECASE | re.DOTALL)
_MAKES_INDEX = re.compile(r"create\s+(unique\s+)?index\b", re.IGNORECASE)
_QUOTED = re.compile(r"'[^']*'")
_TEMPORARY = re.compile(r"""(?<![\w".])"?pg_temp(?:_\d+)?"?\.("(?:[^"]|"")*"|\w+)""")
_ANALYZES = re.compile(r"analyze\b", re.IGNORECASE)


def attempts_of(audit: Audit, wanted: Sequence[int]) -> tuple[Attempt, ...]:
    """One attempt for each wanted remedy, by its number in the audit; all of them, best first, where none is named.

    Raises UsageError for a number that the audit does not have.
    """
    known = {remedy.rank: remedy for remedy in audit.remedies}
    unknown = sorted(set(wanted) - set(known))
    if unknown:
        there = f"the audit proposes {len(known)}" if known else "the audit proposes no change"
        raise UsageError(f"there is no remedy {', '.join(map(str, unknown))}: {there}", where="--remedy")
    chosen = [known[rank] for rank in dict.fromkeys(wanted)] if wanted else list(audit.remedies)
    return tuple(attempt_of((remedy,)) for remedy in chosen)


def attempt_of(remedies: Sequence[Remedy]) -> Attempt:
    """These remedies tried together: each statement once, statistics gathered after everything else is made."""
    statements: dict[str, None] = {}
    settings: dict[str, None] = {}
    for remedy in remedies:
        for statement in remedy.sql_trial or remedy.sql:
            setting = _SETTING.fullmatch(statement.strip().rstrip(";"))
            if setting is not None:
                settings[f"SET LOCAL {setting.group(1)}"] = None
            else:
                statements[statement.strip().rstrip(";")] = None
    ordered = sorted(statements, key=gathers_statistics)
    return Attempt(
        ranks=tuple(remedy.rank for remedy in remedies),
        remedies=tuple(remedies),
        statements=tuple(ordered),
        settings=tuple(settings),
        victims=frozenset(ref.plan for remedy in remedies for ref in remedy.findings),
    )


def gathers_statistics(statement: str) -> bool:
    """Whether it is an ANALYZE, whose sample differs each time."""
    return _ANALYZES.match(statement) is not None


def makes_index(statement: str) -> bool:
    """Whether it is a CREATE INDEX."""
    return _MAKES_INDEX.match(statement) is not None


def temporary_obstacle(attempt: Attempt) -> str | None:
    """Why only the session can make an attempt that has the temporary table which it is about; None if others can."""
    for statement in attempt.statements:
        found = _TEMPORARY.search(_QUOTED.sub("''", statement))
        if found is not None:
            return (
                f"its table {found.group(1)} is temporary and only the session that made it has it: run it there right"
                " after filling the table, and audit the plan that the same session then gets"
            )
    return None


def in_place_obstacle(attempt: Attempt) -> str | None:
    """Why an attempt can't be made in a transaction that is rolled back; None if it can."""
    for statement in attempt.statements:
        if _DROPS_INDEX.match(statement):
            return "an index is never dropped in place: every query on its table would wait for the rollback"
        if _OUTSIDE.match(statement):
            return f"it cannot run in a transaction: {statement}"
    return None
