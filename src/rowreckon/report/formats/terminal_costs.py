"""What each join method costs, in the terminal: a small table, or sentences where the terminal is too narrow for it."""

from __future__ import annotations

from rowreckon.report.formats.terminal_writer import Writer
from rowreckon.report.story.story import JoinStory
from rowreckon.report.words.escape import plain
from rowreckon.report.words.numbers import NOT_KNOWN, capitalised

_INDENT = 4
_HEAD = ("Planner's costs", "estimated rows", "actual rows")


def write_costs(out: Writer, story: JoinStory) -> None:
    """A line for each method of which something is known, and one for the others."""
    known = [row for row in story.costs if row[1:] != (NOT_KNOWN, NOT_KNOWN, "")]
    table = [_HEAD, *(row[:3] for row in known)]
    widths = [max(len(plain(row[column])) for row in table) for column in range(3)]
    if known and _INDENT + sum(widths) + 4 <= out.width:
        _as_table(out, known, widths)
    elif known:
        _as_sentences(out, known)
    unknown = [row[0].lower() for row in story.costs if row not in known]
    if unknown:
        out.say(f"{capitalised(' and '.join(unknown))}: {NOT_KNOWN}", _INDENT, hang=2)


def _as_table(out: Writer, known: list[tuple[str, str, str, str]], widths: list[int]) -> None:
    for method, estimate, actual, remarks in [(*_HEAD, ""), *known]:
        figures = f"{plain(estimate):>{widths[1]}}  {plain(actual):>{widths[2]}}"
        line = f"{plain(method):{widths[0]}}  {figures}"
        fits = _INDENT + len(line) + 2 + len(plain(remarks)) <= out.width
        out.verbatim(f"{line}  {plain(remarks)}".rstrip() if fits else line, _INDENT)
        if remarks and not fits:
            out.say(remarks, _INDENT + 2)


def _as_sentences(out: Writer, known: list[tuple[str, str, str, str]]) -> None:
    out.say("Costs in the planner's units:", _INDENT)
    for method, estimate, actual, remarks in known:
        remark = f" ({remarks})" if remarks else ""
        out.say(f"- {method}: {estimate} at the estimate, {actual} at the actual rows{remark}", _INDENT, hang=2)
