"""The changes to try in words; what holds for several of them is said once."""

from __future__ import annotations

import re
from collections.abc import Sequence

from rowreckon.document.audit import Plan, Remedy, SideEffect
from rowreckon.frozen import frozen
from rowreckon.report.drawings.before_after import BeforeAfter, before_after
from rowreckon.report.words.changes import remedy_words
from rowreckon.report.words.changes.touch_words import foretold_words
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.numbers import capitalised, count_of, listed, number
from rowreckon.report.words.sentences import CAUTIONS

_NAMED = 3
_PAIRS_DRAWN = 12  # in one report: they take a screen each
_NOT_DRAWN = "Not all joins that it is meant for are drawn here, before and after; the JSON output holds them."
_TOUCHES = re.compile(
    r"(fresh statistics|new statistics|a new index) may change the plan of every query on the table\."
)


@frozen
class RemedyStory:
    """One change to try. `pairs` are the rulers of the joins that it is meant for, before and after its trial;
    `side_effects` are rows of what was measured or foretold, `untold` one line on the other queries, of which nothing
    is known, `others` their names with what is known."""

    rank: int
    title: str
    reason: str
    sql: str
    check_first: str
    undo: str
    notes: tuple[str, ...]
    pairs: tuple[BeforeAfter, ...]
    cautions: tuple[str, ...]
    side_effects: tuple[tuple[str, str, str, str, str], ...]
    untold: str
    others: tuple[str, ...]


@frozen
class RemediesStory:
    """All changes to try that are shown, and the cautions that several of them share."""

    remedies: tuple[RemedyStory, ...]
    shared: tuple[str, ...]


def remedies_story(remedies: Sequence[Remedy], plans: Sequence[Plan] = ()) -> RemediesStory:
    """The remedies of these plans in words.

    A caution of several is said once for all, one that every report ends with not at all.
    """
    carried: dict[str, list[int]] = {}
    for remedy in remedies:
        for caution in dict.fromkeys(_sentence(c) for c in remedy.cautions):
            if not _said_anyway(caution):
                carried.setdefault(caution, []).append(remedy.rank)
    shared = {caution: ranks for caution, ranks in carried.items() if len(ranks) > 1}
    stories: list[RemedyStory] = []
    room = _PAIRS_DRAWN
    for remedy in remedies:
        pairs = before_after(remedy, plans)
        stories.append(_story(remedy, pairs[:room], len(pairs) > room, frozenset(carried) - frozenset(shared)))
        room = max(0, room - len(pairs))
    return RemediesStory(
        tuple(stories), tuple(_shared(caution, ranks, len(remedies)) for caution, ranks in shared.items())
    )


def _sentence(caution: str) -> str:
    return f"{clean(caution).rstrip('.')}."


def _said_anyway(caution: str) -> bool:
    """Whether the report's closing cautions say the same."""
    if _TOUCHES.fullmatch(caution):
        return True
    parts = caution.rstrip(".").lower().split(": ")
    closing = " ".join(CAUTIONS).lower()
    return all(part in closing for part in parts)


def _shared(caution: str, ranks: list[int], total: int) -> str:
    whom = "every change" if len(ranks) == total else f"changes {listed([number(rank) for rank in ranks], 40)}"
    return f"{capitalised(whom)}: {caution}"


def _story(remedy: Remedy, pairs: tuple[BeforeAfter, ...], cut: bool, own: frozenset[str]) -> RemedyStory:
    notes = [
        remedy_words.lock_words(remedy),
        remedy_words.undo_words(remedy),
        remedy_words.trial_words(remedy),
        remedy_words.copy_caution(remedy),
        _kept_words([effect for effect in remedy.side_effects if _is_as_before(effect)]),
        foretold_words(remedy),
        _NOT_DRAWN if cut else "",
    ]
    told = [effect for effect in remedy.side_effects if not _is_untold(effect) and not _is_as_before(effect)]
    untold = [effect for effect in remedy.side_effects if _is_untold(effect)]
    title = capitalised(remedy_words.remedy_title(remedy))
    return RemedyStory(
        rank=remedy.rank,
        title=title,
        reason=remedy_words.reason_words(remedy, title),
        sql=remedy_words.statements(remedy.sql),
        check_first=remedy_words.terminated(remedy.check_first or ""),
        undo=remedy_words.statements(remedy.undo or ()),
        notes=tuple(n for n in notes if n),
        pairs=pairs,
        cautions=tuple(f"Caution: {c}" for c in dict.fromkeys(_sentence(c) for c in remedy.cautions) if c in own),
        side_effects=tuple(remedy_words.side_effect_row(e) for e in told),
        untold=_untold_words(untold, remedy),
        others=_others(untold) if len(untold) > _NAMED else (),
    )


def _is_untold(effect: SideEffect) -> bool:
    return effect.change == "unknown" and effect.time == "not_measured" and effect.before_ms is None


def _is_as_before(effect: SideEffect) -> bool:
    """Whether nothing came of the change for the query, so that its name is not worth a line."""
    return effect.change == "plan_same" and effect.time == "not_measured" and effect.before_ms is None


def _kept_words(effects: list[SideEffect]) -> str:
    """`165 other queries keep their plan.`, by name where they are few."""
    if not effects:
        return ""
    if len(effects) <= _NAMED:
        keep = "keeps its" if len(effects) == 1 else "keep their"
        return f"{listed([quote(e.query, 120) for e in effects])} {keep} plan."
    return f"{count_of(len(effects), 'other query', 'other queries')} keep their plan."


def _untold_words(effects: list[SideEffect], remedy: Remedy) -> str:
    if not effects:
        return ""
    if remedy.trial is not None:  # what did not run cannot be held against itself
        what = count_of(len(effects), "other query", "other queries")
        named = listed([quote(e.query, 120) for e in effects]) if len(effects) <= _NAMED else what
        return f"{named} could not be compared."
    one = len(effects) == 1
    verb, what = ("call", "the function") if remedy.kind == "function_rows" else ("read", "these tables")
    what = "this table" if what == "these tables" and len(remedy.tables) == 1 else what
    tells = f"{verb}{'s' if one else ''} {what} too; a trial tells what the change does to {'it' if one else 'them'}."
    if len(effects) <= _NAMED:
        return f"{listed([quote(e.query, 120) for e in effects])} {tells}"
    return f"{count_of(len(effects), 'other query', 'other queries')} {tells.replace(' too;', ';')}"


def _others(effects: list[SideEffect]) -> tuple[str, ...]:
    """Every one of these queries by name, a line for all that have the same reason."""
    by_reason: dict[str, list[str]] = {}
    for effect in effects:
        by_reason.setdefault(clean(effect.basis or "").rstrip("."), []).append(quote(effect.query, 120))
    return tuple(f"{reason}: {', '.join(names)}" if reason else ", ".join(names) for reason, names in by_reason.items())
