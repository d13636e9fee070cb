"""What a change touches beside the queries that it is meant for, for the first screen."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.document.audit import Remedy
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.foretold_words import foretold_words
from rowreckon.report.words.numbers import capitalised, listed
from rowreckon.report.words.sentences import tables_of
from rowreckon.report.words.ticket_words import short_names

_NAMED = 3
_TABLES = 8


def touch_words(remedy: Remedy, *, has_others: bool) -> str:
    """Which plans it may change; `has_others` where the audit holds further queries, which then are named.

    Where a stand-in was asked, what it said of them stands in the place of their names.
    """
    said = _whatever_reads(remedy)
    if remedy.foretold is not None and remedy.foretold.planned:
        return " ".join(part for part in (said, foretold_words(remedy)) if part)
    readers = [quote(effect.query, 60) for effect in remedy.side_effects if effect.change != "plan_same"]
    verb = "call" if remedy.kind == "function_rows" else "read"
    if readers:
        seen = f"Here also {listed(readers, _NAMED)} {verb}{'s' if len(readers) == 1 else ''} {_it(remedy)}."
    else:
        known = remedy.tables or remedy.kind == "function_rows"
        seen = _none_seen(remedy, verb) if has_others and known else ""
    return " ".join(part for part in (said, seen) if part)


def touched_together(remedies: Sequence[Remedy]) -> str:
    """Which plans several changes may change that are made together: each table is named once."""
    tables = tuple(dict.fromkeys(table for remedy in remedies for table in remedy.tables))
    said = [f"May change the plan of every query on {tables_of(short_names(tables), _TABLES)}."] if tables else []
    others = dict.fromkeys(_whatever_reads(remedy) for remedy in remedies if not remedy.tables)
    return " ".join(part for part in (*said, *others) if part)


def _whatever_reads(remedy: Remedy) -> str:
    """By the tables; a change that names none says by its first caution whom it concerns."""
    if remedy.tables:
        return f"May change the plan of every query on {tables_of(short_names(remedy.tables))}."
    return f"{capitalised(clean(remedy.cautions[0]).rstrip('.'))}." if remedy.cautions else ""


def _it(remedy: Remedy) -> str:
    return "it" if len(remedy.tables) < 2 else "them"


def _none_seen(remedy: Remedy, verb: str) -> str:
    """A function may be called by a view or another function as well, which no text and not every plan shows."""
    return "No other query here is seen to call it." if verb == "call" else f"No other query here reads {_it(remedy)}."
