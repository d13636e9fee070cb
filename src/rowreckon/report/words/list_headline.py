"""The first sentences of a report on a list of queries: what crossed, and where all of the time goes."""

from __future__ import annotations

from rowreckon.document.audit import Audit
from rowreckon.report.words.changes.trial_headline import trial_headline, was_tried
from rowreckon.report.words.list_splits import whole_split
from rowreckon.report.words.numbers import count_of, listed, milliseconds, number, share
from rowreckon.report.words.part_words import PARTS_OF_TIME, whole_of

_LARGEST = 4  # parts that are named beside the crossed joins; the others are one share


def list_headline(audit: Audit) -> str:
    """The finding over several plans, of at most 25 words a sentence."""
    if was_tried(audit):
        return trial_headline(audit)
    crossed = sum(any(join.verdict == "crossed" for join in plan.joins) for plan in audit.plans)
    unfinished = sum(plan.outcome != "ran" for plan in audit.plans)
    queries = count_of(len(audit.plans), "query", "queries")
    ended = f" {count_of(unfinished, 'query', 'queries')} did not run to the end." if unfinished else ""
    if audit.rejected:
        ended += f" {count_of(len(audit.rejected), 'input')} could not be read."
    split = whole_split(audit)
    if crossed:
        said = f"{number(crossed)} of {queries} {'has' if crossed == 1 else 'have'} a crossed join"
        if split is not None:
            part, whole = split.crossed_joins, whole_of(split)
            said += f". Crossed joins take {share(part, whole)} of {milliseconds(whole)}"
        return f"{said}.{ended}"
    undecided = sum(join.verdict == "undecided" for plan in audit.plans for join in plan.joins)
    said = f"No crossed join in {queries}"
    if undecided:
        said += f". {count_of(undecided, 'join is', 'joins are')} undecided for want of evidence"
    if split is not None:
        said += f". See below where {milliseconds(whole_of(split))} go"
    return f"{said}.{ended}"


def crossed_before(audit: Audit) -> str:
    """How much of a list was crossed before its trial changed anything, which the trial's headline leaves unsaid; empty
    where nothing was tried."""
    if not was_tried(audit):
        return ""
    joins = sum(len(plan.joins) for plan in audit.plans)
    crossed = [sum(join.verdict == "crossed" for join in plan.joins) for plan in audit.plans]
    queries = count_of(len(audit.plans), "query", "queries")
    if not any(crossed):
        return f"Before, no join of {queries} was crossed."
    verb = "was" if sum(crossed) == 1 else "were"
    return (
        f"Before, {number(sum(crossed))} of {count_of(joins, 'join')} {verb} crossed, "
        f"in {number(sum(map(bool, crossed)))} of {queries}."
    )


def list_time_sentence(audit: Audit) -> str:
    """Where all of the time goes, the largest parts by name and the others as one: nothing is left unsaid."""
    split = whole_split(audit)
    if split is None:
        return "How long the queries ran is not known."
    whole = whole_of(split)
    sized = sorted(((getattr(split, part.key), part) for part in PARTS_OF_TIME), key=lambda pair: -pair[0])
    named = [(ms, part) for ms, part in sized[:_LARGEST] if ms > 0]
    if split.crossed_joins > 0 and all(part.key != "crossed_joins" for _, part in named):
        named.append((split.crossed_joins, PARTS_OF_TIME[0]))
    rest = whole - sum(ms for ms, _ in named)
    said = [f"{part.name} {share(ms, whole)}" for ms, part in named]
    if rest > 0.0005 * whole:
        said.append(f"smaller parts together {share(rest, whole)}")
    return f"The time goes to {listed(said, 12)}."
