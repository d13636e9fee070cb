"""A comparison in words, and as terminal text or Markdown."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.report.comparing.compare import Comparison, PlanComparison
from rowreckon.report.story.compared_query import plan_lines, query_title
from rowreckon.report.story.comparison_ticket import by_change, comparison_ticket
from rowreckon.report.words.escape import markdown, plain, quote
from rowreckon.report.words.facts_words import captured_words
from rowreckon.report.words.numbers import capitalised, count_of, listed, number
from rowreckon.report.words.sentences import in_sentences

if TYPE_CHECKING:
    from rich.console import Console

NO_DIFFERENCE = "No difference beyond noise."


def comparison_headline(comparison: Comparison) -> str:
    """The finding in one sentence: how many queries differ, and which are faster or slower now."""
    if not comparison.plans and not comparison.only_before and not comparison.only_after:
        return "Nothing to compare: neither side holds a plan."
    if not comparison.differs:
        return NO_DIFFERENCE
    if not comparison.plans:
        return "No query stands in both audits."
    changed = [plan for plan in comparison.plans if plan.differs]
    queries = count_of(len(comparison.plans), "query", "queries")
    differ = f"differ{'s' if len(changed) == 1 else ''}"
    return f"{number(len(changed))} of {queries} {differ}{_in_time(changed)}."


def comparison_counts(comparison: Comparison) -> str:
    """How many methods, verdicts, switch points and misestimates changed; empty where none did."""
    changed = [plan for plan in comparison.plans if plan.differs]
    methods = sum(len(plan.methods) for plan in changed)
    verdicts = sum(len(plan.verdicts) for plan in changed)
    moved = sum(len(plan.moves) for plan in changed)
    gone, come = (sum(len(getattr(plan, name)) for plan in changed) for name in ("gone", "come"))
    groups = (
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
    said = capitalised(in_sentences(listed([part for part in group if part]) for group in groups))
    return f"{said}." if said else ""


def _in_time(changed: list[PlanComparison]) -> str:
    """`: night-huts is faster, 3 show no difference in time`, so that none of what differs is taken for faster."""
    faster = [plan for plan in changed if plan.times.difference == "faster"]
    slower = [plan for plan in changed if plan.times.difference == "slower"]
    alike = len(changed) - len(faster) - len(slower)
    parts = (
        f"{_counted(faster)} faster" if faster else "",
        f"{_counted(slower)} slower" if slower else "",
        f"{number(alike)} {'shows' if alike == 1 else 'show'} no difference in time" if alike else "",
    )
    return f": {', '.join(part for part in parts if part)}" if faster or slower else ""


def _counted(plans: list[PlanComparison]) -> str:
    """`night-huts is`, `3 are`: one or two queries by name, more by their number."""
    if len(plans) > 2:
        return f"{number(len(plans))} are"
    return f"{listed([query_title(plan) for plan in plans])} {'is' if len(plans) == 1 else 'are'}"


def told(comparison: Comparison, *, verbose: bool) -> list[PlanComparison]:
    """The queries to tell of, those that changed most first; without a difference only when `verbose`, or when there is
    nothing else to show."""
    all_same = not any(plan.differs for plan in comparison.plans)
    shown = [p for p in comparison.plans if p.differs or verbose or (all_same and len(comparison.plans) <= 10)]
    return by_change(tuple(shown))


def sides(comparison: Comparison) -> list[tuple[str, str]]:
    """`Before` and `After`, each with where and when its plans were captured, as far as that is known."""
    before = [*(plan.before for plan in comparison.plans), *comparison.only_before]
    after = [*(plan.after for plan in comparison.plans), *comparison.only_after]
    facts = (("Before", captured_words(before)), ("After", captured_words(after)))
    return [(side, ", ".join(known)) for side, known in facts if known]


def _sections(comparison: Comparison, *, verbose: bool) -> list[tuple[str, list[str]]]:
    """(title, lines) of all that is told."""
    shown = told(comparison, verbose=verbose)
    return [*((query_title(plan), plan_lines(plan)) for plan in shown), *other_sections(comparison)]


def other_sections(comparison: Comparison) -> list[tuple[str, list[str]]]:
    """(title, lines) of the queries that only one audit has; how many are alike stands at the top."""
    alone = (("Only before", comparison.only_before), ("Only after", comparison.only_after))
    return [(title, [quote(plan.source) for plan in plans]) for title, plans in alone if plans]


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
    if counts := comparison_counts(comparison):
        say(counts)
    for side, facts in sides(comparison):
        say(f"{side}: {facts}.")
    for line in comparison_ticket(comparison):
        say(f"{line.label}: {line.said}")
        for statement in line.command.split("\n") if line.command else ():
            say(statement, 7)
        if line.note:
            say(line.note, 5)
    for title, lines in _sections(comparison, verbose=verbose):
        console.print()
        say(capitalised(title), style="bold")
        for sentence in lines:
            say(f"- {sentence}", 2)


def comparison_markdown(comparison: Comparison, *, verbose: bool = False) -> str:
    """The comparison as Markdown."""
    from rowreckon.report.formats.markdown import LIMIT
    from rowreckon.report.formats.markdown_budget import Block, assemble
    from rowreckon.report.formats.markdown_pieces import line_block

    found = ["# Comparison of two audits", f"**{markdown(comparison_headline(comparison))}**"]
    found += [markdown(counts)] if (counts := comparison_counts(comparison)) else []
    found += [markdown(f"{side}: {facts}.") for side, facts in sides(comparison)]
    blocks = [Block("\n\n".join(found), "the finding"), *map(line_block, comparison_ticket(comparison))]
    for title, lines in _sections(comparison, verbose=verbose):
        items = "\n".join(f"- {markdown(line)}" for line in lines)
        blocks.append(Block(f"## {markdown(capitalised(title))}\n\n{items}".rstrip(), f"the part on {plain(title)}"))
    return assemble(blocks, "", LIMIT).rstrip() + "\n"
