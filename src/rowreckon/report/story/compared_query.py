"""One query of a comparison in words: its name, its times, its joins, its misestimates, what was promised of it."""

from __future__ import annotations

from rowreckon.document.audit import Node, Remedy
from rowreckon.plural import agreeing, noun
from rowreckon.report.comparing.compare import ErrorChange, MethodChange, Move, PlanComparison, Times, VerdictChange
from rowreckon.report.words.changes.remedy_words import gain_words, remedy_title
from rowreckon.report.words.escape import quote
from rowreckon.report.words.headline import outcome_words
from rowreckon.report.words.numbers import count_of, listed, milliseconds, number, times
from rowreckon.report.words.sentences import method_name, node_label, tables_of

_PROMISES = 3
_ERRORS = 2  # misestimates of one query that are told in figures
_ENDINGS = (".capture.json", ".json", ".txt")


def query_title(plan: PlanComparison) -> str:
    """The query's name: what both paths end with, or both where they end otherwise."""
    one, other = plan.before.source, plan.after.source
    shared = _shared_end(one, other)
    return quote(shared) if shared else f"{quote(one)} and {quote(other)}"


def _shared_end(one: str, other: str) -> str:
    parts: list[str] = []
    for left, right in zip(reversed(one.split("/")), reversed(other.split("/")), strict=False):
        if left != right:
            break
        parts.insert(0, left)
    named = one if one == other else "/".join(parts)
    return next((named.removesuffix(end) for end in _ENDINGS if named.endswith(end)), named)


def plan_lines(plan: PlanComparison) -> list[str]:
    """What differs in one query; its times in any case, and first."""
    lines = []
    if plan.before.outcome != plan.after.outcome:
        ended = [outcome_words(p) or "ran to its end" for p in (plan.before, plan.after)]
        lines.append(f"Before: {ended[0]}. After: {ended[1]}.")
    lines += [times_words(plan.times), *join_lines(plan), *error_lines(plan)]
    return [*lines, *(_move(move) for move in plan.moves), *_promises(plan)]


def times_words(spent: Times) -> str:
    """Medians with their spread, and what may be concluded from them."""
    medians = spent.medians
    if medians is None:
        return "Times: not known on both sides."
    said = f"Times: {_spread(spent.before, medians[0])} before, {_spread(spent.after, medians[1])} after"
    if spent.differ:
        return f"{said}: {speed_words(spent)}."
    if spent.chance is None:
        return f"{said}. The two overlap: no difference is seen."
    needed = f"{number(spent.runs_needed)} runs on each side would tell."
    if len(spent.before) == len(spent.after) == 1:
        return f"{said}. One run on each side proves nothing; {needed}"
    return f"{said}. Runs of one and the same plan differ like this in {spent.chance * 100:.0f} of 100 cases; {needed}"


def speed_words(spent: Times) -> str:
    """`6.7 times faster`; empty where the runs do not tell the two apart."""
    if spent.medians is None or not spent.differ:
        return ""
    low, high = sorted(spent.medians)
    return f"{times(high / max(low, 1e-6))} {spent.difference}"


def _spread(runs: tuple[float, ...], middle: float) -> str:
    if len(runs) == 1:
        return f"{milliseconds(middle)} (one run)"
    return (
        f"{milliseconds(middle)} ({milliseconds(min(runs))} to {milliseconds(max(runs))}, {count_of(len(runs), 'run')})"
    )


def join_lines(plan: PlanComparison) -> list[str]:
    """A sentence for each join whose method or verdict is another now."""
    verdicts = list(plan.verdicts)
    lines = []
    for method in plan.methods:
        verdict = next((one for one in verdicts if one.tables == method.tables), None)
        if verdict is not None:
            verdicts.remove(verdict)
        lines.append(_method(method, verdict))
    return lines + [
        f"The join of {tables_of(change.tables, 8)} was {change.before}, now it is {change.after}."
        for change in verdicts
    ]


def _method(change: MethodChange, verdict: VerdictChange | None) -> str:
    tables = tables_of(change.tables, 8)
    if change.after is None:
        return f"The join of {tables} is gone ({method_name(change.before or '')} before): the join order changed."
    if change.before is None:
        return f"A join of {tables} has come ({method_name(change.after)}): the join order changed."
    was, now = f"a {method_name(change.before)}", f"a {method_name(change.after)}"
    if verdict is not None:
        was, now = f"{was} and {verdict.before}", f"{now} and {verdict.after}"
    return f"The join of {tables} was {was}, now it is {now}."


def error_lines(plan: PlanComparison) -> list[str]:
    """The misestimates that went and came: those of what is read, in rows; how many others there are above them."""
    return [*_told_errors(plan.gone, "gone"), *_told_errors(plan.come, "come")]


def _told_errors(changes: tuple[ErrorChange, ...], way: str) -> list[str]:
    scans = [change for change in changes if _reads(change)]
    told = sorted(scans or changes, key=_q_error, reverse=True)[:_ERRORS]
    lines = [_gone(change) if way == "gone" else f"New misestimate: {_come(change)}" for change in told]
    more = len(changes) - len(told)
    if more:
        verb = ("is" if more == 1 else "are") if way == "gone" else ("has" if more == 1 else "have")
        lines.append(f"{count_of(more, 'further misestimate')} of the plan {verb} {way} with that.")
    return lines


def _reads(change: ErrorChange) -> bool:
    node = change.before or change.after
    return node is not None and bool(node.relation or node.alias)


def _q_error(change: ErrorChange) -> float:
    return max(change.q_before or 0.0, change.q_after or 0.0)


def _gone(change: ErrorChange) -> str:
    """`Of bookings 12 rows were expected and 48,310 came, now 47,000 are expected.`"""
    before, after = change.before, change.after
    if before is None or before.estimated_rows is None or before.actual_rows is None:
        return f"A misestimate is gone: {_as_q_error(change)}."
    said = f"Of {_what(before)} {_rows_expected(before.estimated_rows, 'was', 'were')} and {_rows(before)} came"
    if after is None or after.estimated_rows is None:
        return f"{said}, which the new plan no longer reads so."
    if number(after.actual_rows) != number(before.actual_rows):
        return f"{said}. The new plan reads it otherwise: {number(after.estimated_rows)} expected, {_rows(after)} came."
    return f"{said}, now {_figure(after.estimated_rows, 'is', 'are')} expected."


def _come(change: ErrorChange) -> str:
    before, after = change.before, change.after
    if after is None or after.estimated_rows is None or after.actual_rows is None:
        return f"{_as_q_error(change)}."
    said = f"of {_what(after)} {_rows_expected(after.estimated_rows, 'is', 'are')} and {_rows(after)} come"
    if before is None or before.estimated_rows is None:
        return f"{said}, which the plan before did not read so."
    return f"{said}, before {_figure(before.estimated_rows, 'was', 'were')} expected."


def _figure(rows: float, one: str, several: str) -> str:
    return noun(number(rows), one, several)


def _rows_expected(rows: float, one: str, several: str) -> str:
    return f"{noun(number(rows), 'row')} {agreeing(number(rows), one, several)} expected"


def _rows(node: Node) -> str:
    return f"at least {number(node.actual_rows)}" if node.count == "at_least" else number(node.actual_rows)


def _what(node: Node) -> str:
    name = node.relation or node.alias
    return quote(name, 80) if name else node_label(node)


def _as_q_error(change: ErrorChange) -> str:
    node = change.before or change.after
    sides = [
        "no such node" if node is None else "not counted" if q is None else f"q-error {number(q)}"
        for node, q in ((change.before, change.q_before), (change.after, change.q_after))
    ]
    return f"{node_label(node) if node is not None else 'a node'}, {sides[0]} before, {sides[1]} after"


def _move(move: Move) -> str:
    return (
        f"Switch point moved, {tables_of(move.tables, 8)}: {method_name(move.below)} to {method_name(move.above)} "
        f"from {count_of(move.before, 'outer row')} before, from {number(move.after)} after."
    )


def _promises(plan: PlanComparison) -> list[str]:
    """What the first audit said of its changes to this query, where the query's plan or time is another now."""
    if not plan.differs:
        return []
    return [_promise(plan, remedy) for remedy in plan.remedies[:_PROMISES]]


def _promise(plan: PlanComparison, remedy: Remedy) -> str:
    title = remedy_title(remedy)
    subject = f"Change {number(remedy.rank)} of the first audit ({title[:1].lower()}{title[1:]})"
    trial, gain = remedy.trial, gain_words(remedy)
    if trial is not None and trial.after_ms is not None:
        methods = listed([method_name(m) for m in trial.join_methods_after])
        joined = f" with {methods}" if methods else ""
        return f"{subject} was tried: {milliseconds(trial.after_ms)} after it{joined}."
    state = "is still proposed" if plan.is_open(remedy) else "is no longer proposed"
    return f"{subject} {state}. It was said of it: {gain}." if gain else f"{subject} {state}."
