"""Pieces of Markdown: tables, lists, drawn rulers, the head of a report on several plans or none."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.document.audit import Audit
from rowreckon.report.drawings.ruler import Ruler
from rowreckon.report.drawings.ruler_text import ruler_text
from rowreckon.report.formats.markdown_budget import Block
from rowreckon.report.story.list_ticket import ListLine
from rowreckon.report.words.baseline_words import baseline_lines
from rowreckon.report.words.escape import clean_lines, markdown, markdown_fence

_RULER_WIDTH = 76


def table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]], right: tuple[int, ...] = ()) -> str:
    """A table; cells are sentences, escaped here."""
    rule = ["---:" if number in right else "---" for number in range(len(head))]
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join(rule) + " |"]
    lines += ["| " + " | ".join(markdown(cell, cell=True) or " " for cell in row) + " |" for row in rows]
    return "\n".join(lines)


def items(sentences: Sequence[str]) -> str:
    """A list, an item a sentence."""
    return "\n".join(f"- {markdown(sentence)}" for sentence in sentences)


def drawn_rulers(drawn: Sequence[Ruler]) -> str:
    """Rulers as a block of text."""
    texts = ["\n".join(ruler_text(ruler, _RULER_WIDTH)) for ruler in drawn]
    return markdown_fence(clean_lines("\n\n".join(texts)), "text")


def head(audit: Audit, finding: str, *further: str) -> Block:
    """What was found, what else is said of all plans, and what differs from a baseline."""
    compared = baseline_lines(audit)
    parts = ["# Audit of PostgreSQL plans", f"**{markdown(finding)}**", *map(markdown, further)]
    return Block("\n\n".join([*parts, *([items(compared)] if compared else [])]), "the verdict")


def line_block(line: ListLine) -> Block:
    """A line of the first screen, with its statements and what is said of them."""
    parts = [f"**{line.label}:** {markdown(line.said)}".rstrip()]
    if line.command:
        parts.append(markdown_fence(line.command, "sql" if line.is_sql else "text"))
    if line.note:
        parts.append(markdown(line.note))
    return Block("\n\n".join(parts), f"the line {line.label!r}")
