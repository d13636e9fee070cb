"""Which changes an empty server can foretell: those that the planner reads off definitions and sizes, not off rows."""

from __future__ import annotations

from typing import Final

from rowreckon.document.audit import Remedy
from rowreckon.document.foretold import NEEDS_TRIAL
from rowreckon.remedies.change import change_or_none
from rowreckon.remedies.change_shapes import Kind
from rowreckon.trial.planning import attempt_of

OWN: Final = "it is set for the queries that it is meant for alone"
_OTHER_TEXT: Final = "it changes the text of the query that it is meant for alone"
_UNREAD: Final = "its statements are of no kind that a stand-in can be given"
_MASKED: Final = "its condition holds masked values"
_BY_DEFINITION: Final[frozenset[Kind]] = frozenset(
    {"index", "drop_index", "attach_index", "column_option", "function_rows", "foreign_key", "validate_constraint"}
)


def statements_of(remedy: Remedy) -> tuple[str, ...]:
    """What a stand-in is given of a remedy: what a trial would run."""
    return attempt_of((remedy,)).statements


def why_not_foretold(remedy: Remedy, *, masked: bool = False) -> str | None:
    """Why a stand-in can't foretell what a remedy does; None where it can.

    A number of distinct values counts with the next ANALYZE, whose other figures stay as they are on the stand-in.
    `masked`: the remedy's expressions hold masked values.
    """
    statements = statements_of(remedy)
    changes = [change_or_none(statement) for statement in statements]
    if not statements:
        return {"statement_setting": OWN, "query_rewrite": _OTHER_TEXT}.get(remedy.kind, _UNREAD)
    kinds = {change.kind for change in changes if change is not None}
    if None in changes:
        return _UNREAD
    if masked and any(change is not None and change.expressions for change in changes):
        return _MASKED
    if "column_option" in kinds:
        kinds -= {"analyze"}
    return None if kinds <= _BY_DEFINITION else NEEDS_TRIAL
