"""One plan as Markdown: the ticket that a reader can stop at, the plan as a picture, and the evidence."""

from __future__ import annotations

from rowreckon.document.audit import Audit, Plan
from rowreckon.report.drawings.plan_picture import NodeLine
from rowreckon.report.drawings.plan_text import as_text, plan_text
from rowreckon.report.drawings.ruler import rulers
from rowreckon.report.formats.markdown_budget import Block
from rowreckon.report.formats.markdown_pieces import drawn_rulers, items, table
from rowreckon.report.story.moved_story import moved_line
from rowreckon.report.story.plan_story import plan_picture
from rowreckon.report.story.prepared_story import prepared_lines
from rowreckon.report.story.right_counts_story import right_counts_line
from rowreckon.report.story.story import (
    FindingStory,
    JoinStory,
    elsewhere_lines,
    join_stories,
    measured_rows,
    missing_evidence,
    plan_findings,
)
from rowreckon.report.story.ticket import ticket
from rowreckon.report.story.value_story import HEAD, value_lines, value_rows
from rowreckon.report.words.baseline_words import baseline_lines
from rowreckon.report.words.escape import (
    clean,
    clean_lines,
    is_altered,
    markdown,
    markdown_fence,
    plain,
    quote,
    shorten,
)
from rowreckon.report.words.numbers import capitalised
from rowreckon.report.words.sources import folder_words

_PICTURE_WIDTH = 88
_QUERY_SHOWN = 4_000


def ticket_blocks(audit: Audit, folder: str) -> list[Block]:
    """One plan's first screen, then the plan as a picture."""
    plan, told = audit.plans[0], ticket(audit, 0)
    lines = [f"# {markdown(capitalised(told.verdict))}: {markdown(told.source)}", f"**{markdown(told.sentence)}**"]
    lines += [markdown(line) for line in (told.outcome, told.time) if line]
    if told.query:
        lines.append(markdown(told.query))
    lines.append(markdown(", ".join(told.facts) + "." + folder_words(audit, folder)))
    blocks = [Block("\n\n".join(lines), "the verdict")]
    if told.rulers:
        off = f" **{markdown(told.off)}.**" if told.off else ""
        which = f"{markdown(told.join)}{'.' if off else ':'}{off}"
        blocks.append(Block(f"{which}\n\n{drawn_rulers(told.rulers)}", "the ruler of the worst join"))
    if told.cause:
        blocks.append(Block(f"**Cause:** {markdown(told.cause)}", "the cause"))
    if told.no_change:
        blocks.append(Block(f"**Try:** {markdown(told.no_change)}", "why no change is proposed"))
    if told.is_remedy:
        command = f"\n\n{markdown_fence(told.command, 'sql')}" if told.command else ""
        blocks.append(Block(f"**Try:** {markdown(told.lead)}.{command}", "the command to try"))
    elif told.lead:
        command = f"\n\n{markdown_fence(told.command, 'text')}\n\n" if told.command else " "
        blocks.append(Block(f"**Next:**{command}{markdown(told.lead)}.", "the command that finds out more"))
    if told.beside:
        blocks.append(Block(markdown(told.beside), "what the change touches"))
    if told.tried:
        blocks.append(Block(f"**Tried:** {markdown(told.tried)}", "what trying it brought"))
    if told.also:
        blocks.append(Block(f"**Also:** {markdown(told.also)}", "the other misestimated joins"))
    compared = baseline_lines(audit)
    if compared:
        blocks.append(Block(items(compared), "the comparison with the baseline"))
    return [*blocks, *_picture(plan, "## Plan")]


def _picture(plan: Plan, heading: str) -> list[Block]:
    """The picture as a block of text, and what its lines stand for, folded."""
    if not plan.nodes:
        return []
    name = plain(quote(plan.source, 80))
    picture = plan_picture(plan)
    drawn = markdown_fence(clean_lines(as_text(plan_text(picture, _PICTURE_WIDTH))), "text")
    nodes = [line for line in picture.lines if isinstance(line, NodeLine)]
    return [
        Block(f"{heading}\n\n{drawn}", f"the picture of {name}"),
        Block(_folded("The nodes in figures", items([_figures(n) for n in nodes])), f"the nodes of {name} in figures"),
    ]


def _figures(line: NodeLine) -> str:
    return f"{line.name}{line.reads}. " + ". ".join(f"{what}: {text}" for what, text in line.details)


def _folded(title: str, text: str) -> str:
    return f"<details><summary>{title}</summary>\n\n{text}\n\n</details>"


def evidence_blocks(audit: Audit, index: int, *, alone: bool) -> list[Block]:
    """What the verdicts on one plan rest on; `alone` where the report has told of it at its top."""
    plan = audit.plans[index]
    name = plain(quote(plan.source, 80))
    start = f"## Evidence: {markdown(quote(plan.source))}"
    if not alone:
        told = ticket(audit, index)
        start += "".join(f"\n\n{markdown(part)}" for part in (told.sentence, told.outcome, told.time) if part)
    blocks = [Block(start, f"the evidence of {name}")]
    if not alone:
        blocks += _picture(plan, "#### Plan")
    for number, story in enumerate(join_stories(plan)):
        blocks.append(Block(_join(story, is_told=number == 0, alone=alone), f"a join of {name}"))
    blocks += [Block(_finding(finding), f"a cause in {name}") for finding in plan_findings(plan)]
    if line := moved_line(plan):
        blocks.append(Block(f"#### If facts move\n\n{markdown(line)}", f"how far facts may move in {name}"))
    if line := right_counts_line(plan):
        blocks.append(Block(f"#### Right counts\n\n{markdown(line)}", f"right counts of {name}"))
    if prepared := prepared_lines(plan):
        said = " ".join(markdown(line) for line in prepared)
        blocks.append(Block(f"#### Prepared\n\n{said}", f"the generic plan of {name}"))
    if plan.values:
        rows = _folded("Plans by value", table(HEAD, value_rows(plan), right=(2, 3)))
        said = " ".join(markdown(line) for line in value_lines(plan))
        blocks.append(Block(f"#### For which values\n\n{said}\n\n{rows}", f"the values of {name}"))
    elsewhere = elsewhere_lines(plan)
    if elsewhere:
        blocks.append(Block(f"#### Time elsewhere\n\n{items(elsewhere)}", f"time elsewhere in {name}", by_line=True))
    if plan.missing:
        parts = ["#### Evidence that is missing"]
        for what, why, how in missing_evidence(plan.missing):
            parts += [markdown(f"{what}: {why}. Get it with:"), markdown_fence(how, "text")]
        blocks.append(Block("\n\n".join(parts), f"missing evidence of {name}"))
    measured = table(("how it was measured", ""), measured_rows(plan))
    notes = f"\n\n{items([clean(note) for note in plan.notes])}" if plan.notes else ""
    blocks.append(Block(measured + notes, f"how {name} was measured"))
    if plan.query:
        shown = shorten(clean_lines(plan.query), _QUERY_SHOWN)
        hint = "\n\nSome characters are written out here." if is_altered(plan.query) else ""
        blocks.append(Block(f"#### Query\n\n{markdown_fence(shown, 'sql')}{hint}", f"the query of {name}"))
    return blocks


def _join(story: JoinStory, *, is_told: bool, alone: bool) -> str:
    """One join; the ruler is left out where it stands at the top."""
    parts = [f"### {story.join.verdict}: {markdown(story.title)}", markdown(story.sentence)]
    if story.join.verdict == "accurate" and not is_told:
        return "\n\n".join(parts)  # nothing wrong: its figures are in the JSON
    drawn = rulers(story.join)
    if len(drawn) > 1 or (drawn and not (alone and is_told)):
        parts.append(drawn_rulers(drawn))
    if story.costs:
        head = ("join method", "cost at the estimate", "cost at the actual rows", "")
        parts.append(table(head, story.costs, right=(1, 2)))
    if story.notes:
        parts.append(items(story.notes))
    return "\n\n".join(parts)


def _finding(finding: FindingStory) -> str:
    parts = [f"**Cause: {markdown(finding.title)}.** {markdown(finding.summary)}"]
    if finding.harms:
        parts.append(markdown(finding.harms))
    if finding.evidence:
        parts.append(table(("fact", "value", "from"), finding.evidence, right=(1,)))
    return "\n\n".join(parts)
