"""Fitting Markdown blocks into a length: the order is the importance, and what is left out is counted and named."""

from __future__ import annotations

from collections import Counter

from rowreckon.frozen import frozen
from rowreckon.plural import counted

_RESERVE = 600  # characters kept for the sentence that says what was cut


@frozen
class Block:
    """A piece of Markdown; `name` says in a few words what is missing without it; `by_line` may be cut at a line;
    `left_out` was not even written, since nothing of it could be kept."""

    text: str
    name: str
    by_line: bool = False
    left_out: bool = False


def length(text: str) -> int:
    """Characters as a forge counts them at worst: UTF-16 units."""
    return len(text) + sum(char > "\uffff" for char in text)


def assemble(blocks: list[Block], last: str, limit: int) -> str:
    """All blocks that fit before `last`, and a sentence on what did not; never more than `limit` characters."""
    whole = "\n\n".join([*(block.text for block in blocks), last])
    if length(whole) <= limit and not any(block.left_out for block in blocks):
        return whole
    room = limit - length(last) - _RESERVE
    kept: list[str] = []
    cut: Counter[str] = Counter()
    for block in blocks:
        if block.left_out:
            cut[block.name] += 0
            continue
        need = length(block.text) + 2
        if need <= room:
            kept.append(block.text)
            room -= need
            continue
        lines = _head(block.text, room) if block.by_line else []
        cut[block.name] += block.text.count("\n") + 1 - len(lines)
        if lines:
            kept.append("\n".join(lines))
            room -= length(kept[-1]) + 2
    said = _said(cut, limit)
    return _clip("\n\n".join([*kept, said, last]), limit)


def _head(text: str, room: int) -> list[str]:
    """The first lines of a table or list, if at least its heading and some lines fit."""
    taken: list[str] = []
    for line in text.split("\n"):
        room -= length(line) + 1
        if room < 2:
            break
        taken.append(line)
    return taken if len(taken) >= 6 else []


def _said(cut: Counter[str], limit: int) -> str:
    from rowreckon.report.words.escape import markdown_prose

    named = [markdown_prose(name) + (f" ({counted(lines, 'line')})" if lines else "") for name, lines in cut.items()]
    said = f"**Cut to stay within {limit:,} characters**, {counted(len(named), 'part')}:\n\n"
    shown: list[str] = []
    for name in named:
        if len(said) + sum(len(s) + 3 for s in shown) + len(name) > _RESERVE - 120:
            break
        shown.append(name)
    if len(named) > len(shown):
        shown.append(f"{len(named) - len(shown):,} more")
    items = "\n".join(f"- {name}" for name in shown)
    return f"{said}{items}\n\nThe JSON and HTML outputs hold them."


def _clip(text: str, limit: int) -> str:
    """The last resort for a limit smaller than the fixed parts."""
    if length(text) <= limit:
        return text
    note = "\n\nCut here."
    while length(text) + length(note) > limit and text:
        text = text[: max(0, len(text) - max(1, length(text) + length(note) - limit))]
    return (text + note)[:limit]
