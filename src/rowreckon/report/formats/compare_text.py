"""A comparison in words, and as terminal text or Markdown."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.document.audit import Node, Plan, Remedy
from rowreckon.report.comparing.compare import (
    Comparison,
    ErrorChange,
    MethodChange,
    Move,
    PlanComparison,
    Times,
    VerdictChange,
)
from rowreckon.report.words.escape import markdown, plain, quote
from rowreckon.report.words.facts_words import captured_words
from rowreckon.report.words.headline import outcome_words
from rowreckon.report.words.numbers import capitalised, count_of, listed, milliseconds, number, times
from rowreckon.report.words.remedy_words import gain_words, remedy_title
from rowreckon.report.words.sentences import in_sentences, method_name, node_label, tables_of

if TYPE_CHECKING:
    from rich.console import Console

_PROMISES = 3

NO_DIFFERENCE = "No difference beyond noise."


def comparison_headline(comparison: Comparison) -> str:
    """The finding in one sentence."""
    if not comparison.plans and not comparison.only_before and not comparison.only_after:
        return "Nothing to compare: neither side holds a plan."
    if not comparison.differs:
        return NO_DIFFERENCE
    changed = [plan for plan in comparison.plans if plan.differs]
    faster = sum(_way(plan.times) == "faster" for plan in changed)
    slower = sum(_way(plan.times) == "slower" for plan in changed)
    methods = sum(len(plan.methods) for plan in changed)
    verdicts = sum(len(plan.verdicts) for plan in changed)
    moved = sum(len(plan.moves) for plan in changed)
    gone, come = (sum(len(getattr(plan, name)) for plan in changed) for name in ("gone", "come"))
    groups = (
        (
            f"{number(len(changed))} of {count_of(len(comparison.plans), 'query', 'queries')} "
            f"differ{'s' if len(changed) == 1 else ''}",
        ),
        (f"{number(faster)} faster" if faster else "", f"{number(slower)} slower" if slower else ""),
        (
            f"{count_of(methods, 'change')} of join method" if methods else "",
            f"{count_of(verdicts, 'verdict')} changed" if verdicts else "",
            f"{count_of(moved, 'switch point')} moved" if moved else "",
        ),
        (
            f"{count_of(gone, 'misestimate')} gone" if gone else "",
            f"{count_of(come, 'new misestimate')}" if come else "",
        ),
        (
            f"{number(len(comparison.only_before))} only before" if comparison.only_before else "",
            f"{number(len(comparison.only_after))} only after" if comparison.only_after else "",
        ),
    )
    return in_sentences(listed([part for part in group if part]) for group in groups) + "."


def _way(spent: Times) -> str:
    return spent.difference if spent.differ else ""


def times_words(spent: Times) -> str:
    """Medians with their spread, and what may be concluded from them."""
    medians = spent.medians
    if medians is None:
        return "Times: not known on both sides."
    said = f"Times: {_spread(spent.before, medians[0])} before, {_spread(spent.after, medians[1])} after"
    way = _way(spent)
    if way:
        low, high = sorted(medians)
        return f"{said}: {times(high / max(low, 1e-6))} {way}."
    if spent.chance is None:
        return f"{said}. The two overlap: no difference is seen."
    needed = f"{number(spent.runs_needed)} runs on each side would tell."
    if len(spent.before) == len(spent.after) == 1:
        return f"{said}. One run on each side proves nothing; {needed}"
    return f"{said}. Runs of one and the same plan differ like this in {spent.chance * 100:.0f} of 100 cases; {needed}"


def _spread(runs: tuple[float, ...], middle: float) -> str:
    if len(runs) == 1:
        return f"{milliseconds(middle)} (one run)"
    return (
        f"{milliseconds(middle)} ({milliseconds(min(runs))} to {milliseconds(max(runs))}, {count_of(len(runs), 'run')})"
    )


def plan_lines(plan: PlanComparison) -> list[str]:
    """What differs in one query; its times in any case."""
    lines = []
    if plan.before.outcome != plan.after.outcome:
        ended = [outcome_words(p) or "ran to its end" for p in (plan.before, plan.after)]
        lines.append(f"Before: {ended[0]}. After: {ended[1]}.")
    lines += [_method(change) for change in plan.methods]
    lines += [_verdict(change) for change in plan.verdicts]
    lines += [f"Misestimate gone: {_error(change)}." for change in plan.gone]
    lines += [f"New misestimate: {_error(change)}." for change in plan.come]
    lines += [_move(move) for move in plan.moves]
    return [*lines, times_words(plan.times), *_promises(plan)]


def _promises(plan: PlanComparison) -> list[str]:
    """What the first audit said of its changes to this query, where the query's plan or time is another now."""
    if not plan.differs:
        return []
    return [_promise(remedy) for remedy in plan.remedies[:_PROMISES]]


def _promise(remedy: Remedy) -> str:
    title = remedy_title(remedy)
    subject = f"Before, change {number(remedy.rank)} ({title[:1].lower()}{title[1:]})"
    trial = remedy.trial
    if trial is not None and trial.after_ms is not None:
        methods = listed([method_name(m) for m in trial.join_methods_after])
        joined = f" with {methods}" if methods else ""
        return f"{subject} was tried: {milliseconds(trial.after_ms)} after it{joined}."
    gain = gain_words(remedy)
    return f"{subject}: {gain}." if gain else f"{subject} was proposed and not tried."


def _method(change: MethodChange) -> str:
    tables = tables_of(change.tables, 8)
    if change.after is None:
        return f"The join of {tables} is gone ({method_name(change.before or '')} before): the join order changed."
    if change.before is None:
        return f"A join of {tables} has come ({method_name(change.after)}): the join order changed."
    return f"The join of {tables}: {method_name(change.before)} before, {method_name(change.after)} after."


def _verdict(change: VerdictChange) -> str:
    return f"The verdict on the join of {tables_of(change.tables, 8)}: {change.before} before, {change.after} after."


def _error(change: ErrorChange) -> str:
    node: Node | None = change.before or change.after
    label = node_label(node) if node is not None else "a node"
    sides = [
        "no such node" if node is None else "not counted" if q is None else f"q-error {number(q)}"
        for node, q in ((change.before, change.q_before), (change.after, change.q_after))
    ]
    return f"{label}, {sides[0]} before, {sides[1]} after"


def _move(move: Move) -> str:
    return (
        f"Switch point moved, {tables_of(move.tables, 8)}: {method_name(move.below)} to {method_name(move.above)} "
        f"from {count_of(move.before, 'outer row')} before, from {number(move.after)} after."
    )


def _title(plan: Plan, other: Plan) -> str:
    return quote(plan.source) if plan.source == other.source else f"{quote(plan.source)} and {quote(other.source)}"


def query_title(plan: PlanComparison) -> str:
    """The query's name, or both where it has two."""
    return _title(plan.before, plan.after)


def told(comparison: Comparison, *, verbose: bool) -> list[PlanComparison]:
    """The queries to tell of: without a difference only when `verbose`, or when there is nothing else to show."""
    all_same = not any(plan.differs for plan in comparison.plans)
    return [p for p in comparison.plans if p.differs or verbose or (all_same and len(comparison.plans) <= 10)]


def sides(comparison: Comparison) -> list[tuple[str, str]]:
    """`Before` and `After`, each with where and when its plans were captured, as far as that is known."""
    before = [*(plan.before for plan in comparison.plans), *comparison.only_before]
    after = [*(plan.after for plan in comparison.plans), *comparison.only_after]
    facts = (("Before", captured_words(before)), ("After", captured_words(after)))
    return [(side, ", ".join(known)) for side, known in facts if known]


def _sections(comparison: Comparison, *, verbose: bool) -> list[tuple[str, list[str]]]:
    """(title, lines) of all that is told."""
    shown = told(comparison, verbose=verbose)
    return [*((query_title(plan), plan_lines(plan)) for plan in shown), *other_sections(comparison, len(shown))]


def other_sections(comparison: Comparison, shown: int) -> list[tuple[str, list[str]]]:
    """(title, lines) of what is told beside so many queries: how many are alike, which only one audit has."""
    sections: list[tuple[str, list[str]]] = []
    hidden = len(comparison.plans) - shown
    if hidden:
        sections.append((f"{count_of(hidden, 'query', 'queries')} without a difference beyond noise", []))
    for title, plans in (("Only before", comparison.only_before), ("Only after", comparison.only_after)):
        if plans:
            sections.append((title, [quote(plan.source) for plan in plans]))
    return sections


def render_comparison(comparison: Comparison, console: Console, *, verbose: bool = False) -> None:
    """Print the comparison on a terminal."""
    from rich.text import Text

    def say(sentence: str, indent: int = 0, style: str = "") -> None:
        shown = plain(sentence)
        if console.options.ascii_only:
            shown = shown.encode("ascii", "backslashreplace").decode("ascii")
        text = Text(shown, style=style)
        for at, line in enumerate(text.wrap(console, max(20, console.width - indent - 2))):
            line.rstrip()
            margin = Text(" " * (indent + (2 if at and indent else 0)))
            console.print(margin.append_text(line), highlight=False, soft_wrap=True)

    say(comparison_headline(comparison), style="bold")
    for side, facts in sides(comparison):
        say(f"{side}: {facts}.")
    for title, lines in _sections(comparison, verbose=verbose):
        console.print()
        say(capitalised(title), style="bold")
        for line in lines:
            say(f"- {line}", 2)


def comparison_markdown(comparison: Comparison, *, verbose: bool = False) -> str:
    """The comparison as Markdown."""
    from rowreckon.report.formats.markdown import LIMIT
    from rowreckon.report.formats.markdown_budget import Block, assemble

    found = ["# Comparison of two audits", f"**{markdown(comparison_headline(comparison))}**"]
    found += [markdown(f"{side}: {facts}.") for side, facts in sides(comparison)]
    blocks = [Block("\n\n".join(found), "the finding")]
    for title, lines in _sections(comparison, verbose=verbose):
        items = "\n".join(f"- {markdown(line)}" for line in lines)
        blocks.append(Block(f"## {markdown(capitalised(title))}\n\n{items}".rstrip(), f"the part on {plain(title)}"))
    return assemble(blocks, "", LIMIT).rstrip() + "\n"
