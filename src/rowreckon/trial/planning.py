"""What a trial will try: the remedies asked for, as attempts, and what can't be tried and why."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from rowreckon.document.audit import Audit, Remedy
from rowreckon.errors import UsageError
from rowreckon.remedies.change import change_or_none
from rowreckon.remedies.change_shapes import Kind
from rowreckon.remedies.quoting import quote_literal
from rowreckon.remedies.subject import is_temporary
from rowreckon.sql.filling import Filling, read_filling
from rowreckon.sql.keywords import quote_name

from .measured import Attempt


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
    """These remedies tried together: each statement once, statistics gathered after everything else is made.

    The last statement of a query written another way is that query; of two for one query the first is taken. The
    temporary tables that it reads are filled and analyzed for that query alone.
    """
    statements: dict[str, None] = {}
    settings: dict[str, None] = {}
    rewritten: dict[int, str] = {}
    fillings: dict[int, tuple[Filling, ...]] = {}
    for remedy in remedies:
        changes = remedy.sql_trial or remedy.sql
        if remedy.kind == "query_rewrite" and changes:
            changes, query = changes[:-1], changes[-1]
            changes, fills = _without_fillings(changes)
            new = [ref.plan for ref in remedy.findings if ref.plan not in rewritten]
            rewritten.update(dict.fromkeys(new, query))
            fillings.update(dict.fromkeys(new, fills) if fills else {})
        for statement in changes:
            change = change_or_none(statement)
            if change is None or change.setting is None:
                statements[statement.strip().rstrip(";")] = None
                continue
            name, value = change.setting
            if value is not None:
                settings[f"SET LOCAL {quote_name(name)} = {quote_literal(value)}"] = None
    ordered = sorted(statements, key=gathers_statistics)
    return Attempt(
        ranks=tuple(remedy.rank for remedy in remedies),
        remedies=tuple(remedies),
        statements=tuple(ordered),
        settings=tuple(settings),
        victims=frozenset(ref.plan for remedy in remedies for ref in remedy.findings),
        rewritten=rewritten,
        fillings=fillings,
    )


def _without_fillings(statements: Sequence[str]) -> tuple[tuple[str, ...], tuple[Filling, ...]]:
    """What changes the database, and the temporary tables that are filled; their own ANALYZE goes with these."""
    fillings = tuple(filling for statement in statements if (filling := read_filling(statement)) is not None)
    names = {filling.table for filling in fillings}
    return (
        tuple(s for s in statements if read_filling(s) is None and not _analyzes_only(s, names)),
        fillings,
    )


def _analyzes_only(statement: str, names: Collection[str]) -> bool:
    """Whether it is the ANALYZE of tables of these names, which stand in no schema."""
    change = change_or_none(statement)
    if change is None or change.kind != "analyze" or not change.named:
        return False
    return all(table.name in names and not table.schema for table in change.named)


def gathers_statistics(statement: str) -> bool:
    """Whether it is an ANALYZE, whose sample differs each time."""
    return _kind(statement) == "analyze"


def _kind(statement: str) -> Kind | None:
    change = change_or_none(statement)
    return None if change is None else change.kind


def temporary_obstacle(attempt: Attempt) -> str | None:
    """Why only the session can make an attempt that has the temporary table which it is about; None if others can."""
    for statement in attempt.statements:
        change = change_or_none(statement)
        found = [table for table in change.named if is_temporary(table)] if change is not None else []
        if found:
            return (
                f"its table {quote_name(found[0].name)} is temporary, and only the session that made it has it. Run it"
                " there right after filling the table, and audit the plan that the same session then gets"
            )
    return None


def in_place_obstacle(attempt: Attempt) -> str | None:
    """Why an attempt can't be made in a transaction that is rolled back; None if it can."""
    for statement in attempt.statements:
        change = change_or_none(statement)
        if change is not None and change.kind == "drop_index":
            return "an index is never dropped in place: every query on its table would wait for the rollback"
        if change is not None and change.concurrently:
            return f"it cannot run in a transaction: {statement}"
    return None
