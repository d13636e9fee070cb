"""The report as GitHub-flavoured Markdown, within the length that a ticket takes; what is cut is said."""

from __future__ import annotations

from rowreckon.document.audit import Audit, Plan
from rowreckon.report.drawings.plan_picture import NodeLine
from rowreckon.report.drawings.plan_text import as_text, plan_text
from rowreckon.report.drawings.ruler import Ruler, deciding, rulers
from rowreckon.report.drawings.ruler_text import ruler_text
from rowreckon.report.formats.markdown_budget import Block, assemble, length
from rowreckon.report.formats.markdown_list import change_blocks, list_block
from rowreckon.report.story.change_lines import changes_title
from rowreckon.report.story.overview import counts_words, fold_row, plan_lines, verdict_legend
from rowreckon.report.story.plan_story import plan_picture
from rowreckon.report.story.remedy_story import RemedyStory, remedies_story
from rowreckon.report.story.story import (
    FindingStory,
    JoinStory,
    elsewhere_lines,
    join_stories,
    measured_rows,
    no_remedy_words,
    plan_findings,
)
from rowreckon.report.story.ticket import ticket
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
from rowreckon.report.words.headline import audit_headline, audit_time_sentence, joins_by_weight
from rowreckon.report.words.join_words import join_title
from rowreckon.report.words.numbers import capitalised
from rowreckon.report.words.sentences import CAUTIONS
from rowreckon.report.words.sources import folder_words, with_short_sources
from rowreckon.report.words.trial_words import account_lines

LIMIT = 65_536
_RULER_WIDTH = 76
_PICTURE_WIDTH = 88
_QUERY_SHOWN = 4_000


def render_markdown(audit: Audit, *, limit: int = LIMIT) -> str:
    """The audit as Markdown of at most `limit` characters (counted as UTF-16 units, the stricter way)."""
    audit, folder = with_short_sources(audit)
    alone = len(audit.plans) == 1
    blocks = _ticket(audit, folder) if alone else _first(audit, folder)
    if len(audit.plans) > 1:
        blocks.append(list_block(audit))
    blocks += _remedies(audit)
    if audit.folds:
        blocks.append(_folds(audit))
    order = [line.index for line in plan_lines(audit)]
    written = sum(length(block.text) for block in blocks)
    for index in order:
        if written > 2 * limit:
            # Nothing of it could be kept: only its name goes into the sentence on what was cut.
            name = plain(quote(audit.plans[index].source, 80))
            blocks.append(Block("", f"the evidence of {name}", left_out=True))
            continue
        parts = _plan(audit, index, alone=alone)
        written += sum(length(block.text) for block in parts)
        blocks += parts
    blocks += _rejected(audit)
    return assemble(blocks, _last(audit), limit)


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]], right: tuple[int, ...] = ()) -> str:
    """A table; cells are sentences, escaped here."""
    rule = ["---:" if number in right else "---" for number in range(len(head))]
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join(rule) + " |"]
    lines += ["| " + " | ".join(markdown(cell, cell=True) or " " for cell in row) + " |" for row in rows]
    return "\n".join(lines)


def _items(sentences: tuple[str, ...] | list[str]) -> str:
    return "\n".join(f"- {markdown(sentence)}" for sentence in sentences)


def _first(audit: Audit, folder: str) -> list[Block]:
    lines = ["# Audit of PostgreSQL plans", f"**{markdown(audit_headline(audit))}**"]
    time = audit_time_sentence(audit)
    lines += [markdown(time)] if time else []
    lines += [markdown(counts_words(audit) + folder_words(audit, folder))] if audit.plans else []
    compared = baseline_lines(audit)
    lines += [_items(compared)] if compared else []
    blocks = [Block("\n\n".join(lines), "the verdict")]
    worst = _worst_ruler(audit)
    blocks += [Block(worst, "the ruler of the worst join")] if worst else []
    return [*blocks, *_first_change(audit)]


def _first_change(audit: Audit) -> list[Block]:
    """The best change above the list of queries: a ticket's reader who stops there can act."""
    if len(audit.plans) < 2 or not audit.remedies:
        return []
    first = remedies_story(audit.remedies[:1], audit.plans).remedies[0]
    if not first.sql:
        return []
    return [Block(f"**Try:** {markdown(first.title)}.\n\n{markdown_fence(first.sql, 'sql')}", "the command to try")]


def _ticket(audit: Audit, folder: str) -> list[Block]:
    """One plan's first screen, then the plan as a picture."""
    plan, told = audit.plans[0], ticket(audit, 0)
    lines = [f"# {markdown(capitalised(told.verdict))}: {markdown(told.source)}", f"**{markdown(told.sentence)}**"]
    lines += [markdown(line) for line in (told.outcome, told.time) if line]
    if told.query:
        lines.append(markdown(told.query))
    lines.append(markdown(", ".join(told.facts) + "." + folder_words(audit, folder)))
    blocks = [Block("\n\n".join(lines), "the verdict")]
    if told.rulers:
        blocks.append(Block(f"{markdown(told.join)}:\n\n{_drawn(told.rulers)}", "the ruler of the worst join"))
    if told.cause:
        blocks.append(Block(f"**Cause:** {markdown(told.cause)}", "the cause"))
    if told.command:
        word, language = ("Try", "sql") if told.is_remedy else ("Next", "text")
        command = markdown_fence(told.command, language)
        blocks.append(Block(f"**{word}:** {markdown(told.lead)}.\n\n{command}", "the command to try"))
    if told.touches:
        blocks.append(Block(markdown(f"{told.touches} {told.caution}".rstrip()), "what the change touches"))
    if told.tried:
        blocks.append(Block(f"**Tried:** {markdown(told.tried)}", "what trying it brought"))
    compared = baseline_lines(audit)
    if compared:
        blocks.append(Block(_items(compared), "the comparison with the baseline"))
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
        Block(_folded("The nodes in figures", _items([_figures(n) for n in nodes])), f"the nodes of {name} in figures"),
    ]


def _figures(line: NodeLine) -> str:
    return f"{line.name}{line.reads}: " + "; ".join(f"{what}: {text}" for what, text in line.details)


def _folded(title: str, text: str) -> str:
    return f"<details><summary>{title}</summary>\n\n{text}\n\n</details>"


def _worst_ruler(audit: Audit) -> str:
    """The deciding ruler of the worst join, for a reader who stops here."""
    for line in plan_lines(audit):
        joins = joins_by_weight(audit.plans[line.index])
        drawn = deciding(rulers(joins[0])) if joins else ()
        if drawn:
            return f"{markdown(capitalised(join_title(joins[0])))}:\n\n{_drawn(drawn)}"
    return ""


def _drawn(drawn: tuple[Ruler, ...]) -> str:
    texts = ["\n".join(ruler_text(ruler, _RULER_WIDTH)) for ruler in drawn]
    return markdown_fence(clean_lines("\n\n".join(texts)), "text")


def _remedies(audit: Audit) -> list[Block]:
    blocks = [Block(f"## {changes_title(audit)}", "the heading of the changes to try")]
    if not audit.remedies:
        return [*blocks, Block(markdown(no_remedy_words(audit)), "why no change is proposed")]
    story = remedies_story(audit.remedies, audit.plans)
    if len(audit.plans) > 1:
        whole, brief = change_blocks(audit)
        kept = {line.remedy.rank for line in whole}
        blocks += [Block(_remedy(one), f"change {one.rank}") for one in story.remedies if one.rank in kept]
        blocks += brief
    else:
        blocks += [Block(_remedy(remedy), f"change {remedy.rank}") for remedy in story.remedies]
    if story.shared:
        blocks.append(Block(f"### What holds for several changes\n\n{_items(story.shared)}", "cautions on changes"))
    account = account_lines(audit)
    if account:
        blocks.append(Block(f"### How they were tried\n\n{_items(account)}", "how the changes were tried"))
    return blocks


def _remedy(remedy: RemedyStory) -> str:
    parts = [f"### {remedy.rank}. {markdown(remedy.title)}", markdown(remedy.reason)]
    if remedy.check_first:
        parts += ["Check first:", markdown_fence(remedy.check_first, "sql"), "Run:"]
    if remedy.sql:
        parts.append(markdown_fence(remedy.sql, "sql"))
    if remedy.undo:
        parts += ["Undo:", markdown_fence(remedy.undo, "sql")]
    lines = [*remedy.notes, *remedy.cautions, *([remedy.untold] if remedy.untold else [])]
    if lines:
        parts.append(_items(lines))
    for pair in remedy.pairs:
        parts += [markdown(pair.lead), _drawn((pair.before, pair.after)), markdown(pair.now)]
    if remedy.side_effects:
        parts.append("Side effects on other queries:")
        parts.append(_table(("query", "plan", "before", "after", "time"), list(remedy.side_effects), right=(2, 3)))
    return "\n\n".join(parts)


def _folds(audit: Audit) -> Block:
    head = ("query", "times", "first and last", "crossed", "time lost", "q-errors")
    table = _table(head, [fold_row(fold) for fold in audit.folds], right=(1, 3, 4))
    return Block(f"## Queries that recur\n\n{table}", "rows of the table of recurring queries", by_line=True)


def _plan(audit: Audit, index: int, *, alone: bool) -> list[Block]:
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
    elsewhere = elsewhere_lines(plan)
    if elsewhere:
        blocks.append(Block(f"#### Time elsewhere\n\n{_items(elsewhere)}", f"time elsewhere in {name}", by_line=True))
    if plan.missing:
        parts = ["#### Evidence that is missing"]
        for item in plan.missing:
            what, why = clean(item.what).rstrip("."), clean(item.why).rstrip(".")
            parts += [
                f"{markdown(f'{capitalised(what)}: {why}. Get it with:')}",
                markdown_fence(clean_lines(item.how), "text"),
            ]
        blocks.append(Block("\n\n".join(parts), f"missing evidence of {name}"))
    measured = _table(("how it was measured", ""), list(measured_rows(plan)))
    notes = f"\n\n{_items([clean(note) for note in plan.notes])}" if plan.notes else ""
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
        parts.append(_drawn(drawn))
    if story.costs:
        head = ("join method", "cost at the estimate", "cost at the actual rows", "")
        parts.append(_table(head, list(story.costs), right=(1, 2)))
    if story.notes:
        parts.append(_items(story.notes))
    return "\n\n".join(parts)


def _finding(finding: FindingStory) -> str:
    parts = [f"**Cause: {markdown(finding.title)}.** {markdown(finding.summary)}"]
    if finding.harms:
        parts.append(markdown(finding.harms))
    if finding.evidence:
        parts.append(_table(("fact", "value", "from"), list(finding.evidence), right=(1,)))
    return "\n\n".join(parts)


def _rejected(audit: Audit) -> list[Block]:
    if not audit.rejected:
        return []
    rows: list[tuple[str, ...]] = [
        (quote(item.source), clean(item.where or ""), clean(item.reason)) for item in audit.rejected
    ]
    table = _table(("input", "where", "why it could not be read"), rows)
    return [Block(f"## Inputs that could not be read\n\n{table}", "rows of the table of rejected inputs", by_line=True)]


def _last(audit: Audit) -> str:
    legend = verdict_legend(audit)
    parts = [f"Verdicts: {markdown(legend)}."] if legend else []
    if len(audit.plans) == 1:
        parts.insert(0, markdown(counts_words(audit)))
    parts += ["## Cautions", _items(CAUTIONS), f"rowreckon {markdown(clean(audit.tool_version))}"]
    return "\n\n".join(parts) + "\n"
