"""What is said of a change to try: what it is, why, how sure, its lock, its trial, its side effects."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rowreckon.document.audit import GainMs, Remedy, SideEffect
from rowreckon.document.remedy_kinds import TITLES
from rowreckon.report.words.changes.trial_words import trial_details
from rowreckon.report.words.escape import bare, clean, clean_lines, is_altered, quote
from rowreckon.report.words.numbers import capitalised, count_of, listed, milliseconds, number, times
from rowreckon.report.words.sentences import in_sentences, method_name

_NO_LOCK = ("function_rows", "query_rewrite", "statement_setting", "other")
_UNKNOWN_LOCK = "Which lock it takes is not known"
_CHANGES = {"plan_same": "same plan", "plan_changed": "another plan", "unknown": "not known"}
_TIMES = {"same": "as fast as before", "faster": "faster", "slower": "slower", "not_measured": "not measured"}
_MEASURED = ("helped", "no_effect", "harmed")
_TRIAL_VERDICTS = {
    "helped": "it helped",
    "no_effect": "it had no effect",
    "harmed": "it did harm",
    "not_applied": "it did not take effect",
    "inconclusive": "the trial decided nothing",
}


def remedy_title(remedy: Remedy) -> str:
    """`Gather more statistics on public.bookings (season, status)`."""
    title = clean(remedy.title or TITLES[remedy.kind])
    if remedy.tables:
        title += f" on {listed([quote(name, 80) for name in remedy.tables])}"
    if remedy.columns:
        title += f" ({', '.join(quote(name, 80) for name in remedy.columns)})"
    return title


def confidence_words(confidence: float) -> str:
    """`confidence 0.9`: nine in ten causes stated with it are right."""
    return f"confidence {confidence:.2f}".rstrip("0").rstrip(".")


def gain_words(remedy: Remedy) -> str:
    """What it may bring back, measured or modelled; empty where neither is known."""
    gain = remedy.expected_gain_ms
    if gain is not None and remedy.trial is not None and remedy.trial.verdict in _MEASURED:
        return _measured_words(gain)
    if gain is not None and gain.low <= 0:
        return f"may bring back up to {milliseconds(gain.high)} (modelled)"
    if gain is not None:
        return f"expected to bring back {milliseconds(gain.low)} to {milliseconds(gain.high)} (modelled)"
    if remedy.cost_ratio is not None:
        return f"{times(remedy.cost_ratio)} cheaper by the cost model, no time measured"
    return ""


def _measured_words(gain: GainMs) -> str:
    """The gain that a trial measured: between the quartiles of the runs on either side."""
    if gain.high <= 0:
        return f"cost {milliseconds(-gain.high)} to {milliseconds(-gain.low)} when it was tried"
    if gain.low < 0:
        return f"between {milliseconds(-gain.low)} more and {milliseconds(gain.high)} less when it was tried"
    if gain.low == 0:
        return f"brought back up to {milliseconds(gain.high)} when it was tried"
    return f"brought back {milliseconds(gain.low)} to {milliseconds(gain.high)} when it was tried"


def reason_words(remedy: Remedy, title: str) -> str:
    """Why, what it may bring, how sure: a sentence each; without a first sentence that only says the title again."""
    reason = clean(remedy.reason).rstrip(".")
    first, stop, rest = reason.partition(". ")
    if stop and _words(first) <= _words(bare(title)) | {"the", "of", "on"}:
        reason = rest
    # each of these is a sentence: together they would be one that nobody reads to its end
    parts = [reason, gain_words(remedy), confidence_words(remedy.confidence)]
    return " ".join(f"{capitalised(part)}." for part in parts if part)


def _words(sentence: str) -> set[str]:
    return {word.strip("(),;:").lower() for word in sentence.split()}


def lock_words(remedy: Remedy) -> str:
    """The strongest lock taken, and whether a transaction may hold it."""
    if remedy.lock is None and remedy.kind in _NO_LOCK and remedy.transactional:
        return "Takes no lock on a table." if remedy.kind == "function_rows" else ""
    lock = f"Takes a {clean(remedy.lock)} lock" if remedy.lock else _UNKNOWN_LOCK
    return lock + ("." if remedy.transactional else ". It cannot run in a transaction block.")


def locks_words(remedies: Sequence[Remedy]) -> str:
    """The locks that several changes take, each kind once, and which changes no transaction may hold."""
    locks = list(dict.fromkeys(clean(remedy.lock) for remedy in remedies if remedy.lock))
    unknown = [remedy for remedy in remedies if remedy.lock is None and lock_words(remedy).startswith(_UNKNOWN_LOCK)]
    alone = [remedy for remedy in remedies if not remedy.transactional]
    return " ".join(
        part
        for part in (
            f"Takes {listed(locks)} locks." if len(locks) > 1 else f"Takes a {locks[0]} lock." if locks else "",
            f"Which lock {_changes(unknown)} take{'s' if len(unknown) == 1 else ''} is not known." if unknown else "",
            f"{capitalised(_changes(alone))} cannot run in a transaction block." if alone else "",
        )
        if part
    )


def _changes(remedies: Sequence[Remedy]) -> str:
    """`change 4`, `changes 4 and 5`."""
    return f"change{'s' if len(remedies) > 1 else ''} {listed([number(remedy.rank) for remedy in remedies], 12)}"


def undo_words(remedy: Remedy) -> str:
    """What stands in for undo statements, or beside them; empty where nothing is to say, as of advice alone."""
    if not remedy.sql:
        return ""
    note = clean(remedy.undo_note).rstrip(".") + "." if remedy.undo_note else ""
    if remedy.undo is None:
        return f"No undo: {note[:1].lower() + note[1:]}" if note else "No undo is known."
    return capitalised(note)


def trial_words(remedy: Remedy) -> str:
    """What came of trying it; empty where it was not tried."""
    trial = remedy.trial
    if trial is None:
        return ""
    where = "on a copy" if trial.where == "copy" else "in place, rolled back"
    said = [f"Tried {where}: {_TRIAL_VERDICTS[trial.verdict]}"]
    if trial.before_ms is not None and trial.after_ms is not None:
        said.append(f"{milliseconds(trial.before_ms)} before, {milliseconds(trial.after_ms)} after")
    sentences = [in_sentences(said)]
    if trial.join_methods_before and trial.join_methods_before != trial.join_methods_after:
        before, after = methods_words(trial.join_methods_before), methods_words(trial.join_methods_after)
        sentences.append(f"Joins: {before} before, {after} after")
    if trial.q_error_before is not None and trial.q_error_after is not None:
        sentences.append(f"Largest q-error: {number(trial.q_error_before)} before, {number(trial.q_error_after)} after")
    if trial.reason:
        sentences.append(clean(trial.reason).rstrip("."))
    return " ".join(f"{capitalised(part)}." for part in [*sentences, *trial_details(trial)])


def methods_words(methods: tuple[str, ...]) -> str:
    """`2 hash joins and a nested loop`: each method once, the most frequent first."""
    counts = Counter(methods)
    named = [
        f"a {method_name(method)}" if number_ == 1 else count_of(number_, method_name(method))
        for method, number_ in counts.most_common()
    ]
    return listed(named) or "none"


def statements(lines: tuple[str, ...]) -> str:
    """Statements to copy, one below the other."""
    return "\n".join(terminated(line) for line in lines)


def shortest(lines: tuple[str, ...]) -> str:
    """The same in little room: a transaction of several steps in a row, for what is to be copied as a whole."""
    steps = statements(lines)
    return " ".join(steps.split("\n")) if len(lines) > 2 and lines[0].startswith("BEGIN") else steps


def terminated(statement: str) -> str:
    """One statement, cleaned, with the semicolon that a paste into psql needs."""
    shown = clean_lines(statement)
    return shown if not shown or shown.endswith((";", "\\gexec", "\\g")) else f"{shown};"


def copy_caution(remedy: Remedy) -> str:
    """A warning where the shown SQL is not the exact text, else empty."""
    if any(is_altered(line) for line in (*remedy.sql, *(remedy.undo or ()), remedy.check_first or "")):
        return "Names here hold characters that can't be shown as they are. Take the exact SQL from the JSON output."
    return ""


def side_effect_row(effect: SideEffect) -> tuple[str, str, str, str, str]:
    """Query, plan, time before, time after, in a word (with the evidence where it is named)."""
    basis = f" ({clean(effect.basis)})" if effect.basis else ""
    before = milliseconds(effect.before_ms) if effect.before_ms is not None else "–"
    after = milliseconds(effect.after_ms) if effect.after_ms is not None else "–"
    return quote(effect.query, 120), _CHANGES[effect.change], before, after, _time_words(effect) + basis


def _time_words(effect: SideEffect) -> str:
    if not effect.within_noise:
        return _TIMES[effect.time]
    if effect.time == "same":
        return "no difference seen, but the runs vary too much to see one of a fifth"
    return f"{_TIMES[effect.time]}, within the noise of the runs"
