"""What is said of a trial beside its verdict: the join order that came, the rows before and after, how it was done."""

from __future__ import annotations

from math import isfinite

from rowreckon.document.audit import Audit, Combination, Trial, TrialAccount, TrialJoin, TrialQuery
from rowreckon.document.slowed import slowed
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.numbers import count_of, listed, milliseconds, number, times

_QUERIES = 3
_OF_WHICH_RUNS = (
    "Times before and after are medians of execution alone, run again and again, without the timing of nodes.",
    "The list's times are of one run, with planning and the timing of nodes, where no change helped the query.",
)


def trial_details(trial: Trial) -> list[str]:
    """Clauses on the queries that were run with the change: what became of their join order, and of their rows where
    no joins are kept to draw them."""
    said: list[str] = []
    for query in trial.queries[:_QUERIES]:
        one, other = query.join_order_before, query.join_order_after
        if one and other and one != other:
            said.append(f"{quote(query.query)} joined {clean(one)} before, {clean(other)} after")
        join = _worst(query)
        if join is not None and not query.joins_after:
            said.append(_rows(query, join))
    if len(trial.queries) > 1:
        said += [_times(query) for query in trial.queries[:_QUERIES] if query.before_ms and query.after_ms]
    if len(trial.queries) > _QUERIES:
        said.append(f"{count_of(len(trial.queries) - _QUERIES, 'further query', 'further queries')} in the JSON output")
    if trial.queries_planned:
        said.append(f"{count_of(trial.queries_planned, 'query', 'queries')} of the list were planned with it")
    return said


def account_lines(audit: Audit) -> tuple[str, ...]:
    """How the changes were tried: where, what was not tried, the best together, what stays behind."""
    account = audit.trials
    if account is None:
        return ()
    lines: list[str] = []
    if account.where == "copy":
        lines.append(f"Tried on {count_of(account.copies, 'copy', 'copies')} of the database, dropped afterwards.")
    else:
        lines.append("Tried in the database itself, in transactions that were rolled back.")
    for together in (account.combination, account.further):
        lines += _together(together) if together is not None else []
    lines += [f"Change {e.rank} was not tried: {clean(e.reason).rstrip('.')}." for e in account.not_tried]
    lines += [f"Not undone by the rollback: {clean(line).rstrip('.')}." for line in account.left_behind]
    lines += [f"{clean(note).rstrip('.')}." for note in account.notes]
    if any(remedy.trial is not None and remedy.trial.before_ms is not None for remedy in audit.remedies):
        lines += _OF_WHICH_RUNS
    return tuple(lines)


def _together(tried: Combination) -> list[str]:
    """What several changes brought together, and the queries that they make slower."""
    trial = tried.trial
    took = ""
    if trial.before_ms is not None and trial.after_ms is not None:
        took = f": {milliseconds(trial.before_ms)} before, {milliseconds(trial.after_ms)} after"
    numbers = listed([str(rank) for rank in tried.ranks], len(tried.ranks))
    lines = [f"Changes {numbers} together ({trial.verdict.replace('_', ' ')}){took}."]
    told = [(e.query, e.within_noise) for e in tried.side_effects if e.time == "slower"]
    told += [(q.query, q.within_noise) for q in trial.queries if q.time == "slower"]
    slower = [quote(name) for name, within_noise in told if not within_noise]
    perhaps = [quote(name) for name, within_noise in told if within_noise]
    if slower:
        lines.append(f"Together they make slower: {listed(slower, 12)}.")
    if perhaps:
        lines.append(f"Together they perhaps make slower, within the noise of the runs: {listed(perhaps, 12)}.")
    return lines


def further_words(account: TrialAccount | None) -> str:
    """What a larger set would bring beside the one that is told, and whom it slows; empty where there is none."""
    if account is None or account.further is None:
        return ""
    further = account.further
    trial = further.trial
    numbers = listed([str(rank) for rank in further.ranks], len(further.ranks))
    brought = ""
    if trial.before_ms is not None and trial.after_ms is not None:
        brought = f": {milliseconds(trial.before_ms)} before, {milliseconds(trial.after_ms)} after"
    hurt = slowed(trial, further.side_effects)
    whom = [f"{quote(name, 60)} by {times(factor)}" for name, factor in hurt.items() if isfinite(factor)]
    whom += [f"{quote(name, 60)} beyond its time limit" for name, factor in hurt.items() if not isfinite(factor)]
    return f"Changes {numbers} together{brought}. But they slow {listed(whom, _QUERIES)}."


def _times(query: TrialQuery) -> str:
    return f"{quote(query.query)} {milliseconds(query.before_ms)} before, {milliseconds(query.after_ms)} after"


def _worst(query: TrialQuery) -> TrialJoin | None:
    """The join of both runs whose output was estimated worst before."""
    both = [j for j in query.joins if j.before and j.after and j.before.q_error]
    return max(both, key=lambda j: (j.before.q_error if j.before else None) or 1.0, default=None)


def _rows(query: TrialQuery, join: TrialJoin) -> str:
    one, other = join.before, join.after
    assert one is not None
    assert other is not None
    tables = listed([quote(t) for t in join.tables], 4)
    return (
        f"outer rows of the join of {tables} in {quote(query.query)}: expected {number(one.outer_estimated_rows)}, got"
        f" {number(one.outer_actual_rows)} before; expected {number(other.outer_estimated_rows)}, got"
        f" {number(other.outer_actual_rows)} after"
    )
