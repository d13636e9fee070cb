"""Cut one plan out of the lines of a text, and join again what a mail or a terminal broke."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from rowreckon.reading.explain_text.details import LABELS, LISTS, TEXTS, is_whole, label_of
from rowreckon.reading.explain_text.footer import is_footer
from rowreckon.reading.explain_text.header import (
    begins_with_figures,
    has_figures,
    is_node_name,
    parse_target,
)
from rowreckon.reading.explain_text.items import Openness
from rowreckon.reading.limits import Limits

_END = re.compile(r"\(\d+ rows?\)$|`{3}|~{3}|QUERY PLAN$|Time: [0-9.]+ ms|\(\d+ (?:Zeile|ligne|fila)")
_TITLE = re.compile(r"(?:InitPlan|SubPlan) \S+(?: \(returns [^)]*\))?$|CTE .+$")
_WORKER = re.compile(r"Worker \d+: *")
_GROUPED = ("Functions:", "Options:", "Timing:", "Memory: used=")
_GOES_ON = re.compile(
    r"[a-z/+ ]*[a-z]+[=:]\S|ms$|true$|false$|\d+kB$"
    r"|(?:Memory|Disk|Memory Usage|Disk Usage|Peak Memory|Peak Disk|Batches|Misses|Evictions|Overflows): \d"
)
_MAX_QUOTED_LINES = 200
# A node's line or a line of figures is never broken into more pieces than this.
_MAX_JOINED = 20


class PlanLine:
    """One whole line of a plan: `kind` is node, title, target, worker, detail, footer or other."""

    __slots__ = ("_parts", "arrow", "indent", "kind", "number", "open")

    def __init__(self, indent: int, text: str, number: int, kind: str, arrow: bool = False) -> None:
        self.indent = indent
        self.number = number
        self.kind = kind
        self.arrow = arrow
        self.open = Openness(text)
        self._parts = [text]

    @property
    def text(self) -> str:
        """The line, with what was joined to it."""
        if len(self._parts) > 1:
            self._parts = ["".join(self._parts)]
        return self._parts[0]

    def join(self, text: str) -> None:
        """Add the rest of a line that was broken; costs no more than the rest's length."""
        self._parts.append(text)
        self.open.feed(text)


@dataclass(slots=True)
class Block:
    """The lines of one plan, the index of the first line behind it, and what was mended."""

    lines: list[PlanLine] = field(default_factory=list)
    end: int = 0
    notes: list[str] = field(default_factory=list)

    def note(self, text: str) -> None:
        """Add a note once."""
        if text not in self.notes:
            self.notes.append(text)


def gather(lines: Sequence[str], numbers: Sequence[int], start: int, limits: Limits) -> Block:
    """The plan that begins with line `start`, a node's line. Raises InputTooLarge where it has too many lines."""
    return _Gathering(lines, numbers, start, limits).run()


class _Gathering:
    def __init__(self, lines: Sequence[str], numbers: Sequence[int], start: int, limits: Limits) -> None:
        self.limits = limits
        self.lines = lines
        self.numbers = numbers
        self.index = start
        self.block = Block()
        self.base = 0
        self.below_tree = False
        self.joined = 0

    def run(self) -> Block:
        while self.index < len(self.lines):
            raw = self.lines[self.index].expandtabs(8)
            text = raw.strip()
            if not text:
                if not self.goes_on_after_blank():
                    break
                self.index += 1
                continue
            if _END.match(text):
                break
            if not self.take(len(raw) - len(raw.lstrip()), text):
                break
        self.block.end = max(self.index, 1)
        return self.block

    def take(self, indent: int, text: str) -> bool:
        """Take the line at hand; False where the plan has ended before it."""
        previous = self.block.lines[-1] if self.block.lines else None
        kind = self.kind(indent, text)
        if previous is None:
            self.base = indent
            kind = "node"
        elif kind == "root":
            return False
        elif (kind is None and self.joins(previous, indent, text)) or self.completes(previous, kind):
            previous.join(f" {text}")
            self.joined += 1
            self.block.note("lines that had been wrapped were joined again")
            self.index += 1
            return True
        elif kind is None:
            if indent <= self.base and not (previous.arrow and indent == self.base):
                return False
            kind = "other"
        elif self.below_tree and kind in ("node", "title", "target"):
            return False
        self.below_tree = self.below_tree or (kind == "footer" and indent <= self.base + 1)
        arrow = text.startswith("->")
        line = PlanLine(indent, text[2:].lstrip() if arrow else text, self.numbers[self.index], kind, arrow)
        self.index += 1
        self.joined = 0
        if kind == "detail" and line.open.in_constant and (label_of(text) or "") in TEXTS | LISTS:
            self.close_quote(line)
        self.block.lines.append(line)
        self.limits.check_count(len(self.block.lines), self.limits.max_plan_lines, "lines in one plan")
        return True

    def kind(self, indent: int, text: str) -> str | None:
        if text.startswith("->"):
            return "node"
        if is_footer(text):
            return "footer"
        if _WORKER.match(text) or text.startswith("JIT for worker"):
            return "worker"
        if label_of(text) in LABELS or text.startswith(_GROUPED):
            return "detail"
        if parse_target(text) is not None:
            return "target"
        if is_node_name(text) and has_figures(text):
            return "root"
        if _TITLE.match(text) or self.arrow_follows(indent):
            return "title"
        return None

    def arrow_follows(self, indent: int) -> bool:
        """Whether the next line is a node, set in as the node of a subplan is below the subplan's name."""
        following = self.next_filled(self.index + 1)
        bare = following.lstrip()
        return bare.startswith("->") and len(following) - len(bare) == indent + 2 and indent > self.base

    def next_filled(self, index: int) -> str:
        """The first line from `index` on that is not empty, within a few lines."""
        for raw in self.lines[index : index + 3]:
            if raw.strip():
                return raw.expandtabs(8)
        return ""

    def completes(self, previous: PlanLine, kind: str | None) -> bool:
        """Whether the line before breaks off within its figures, so that this one is its rest."""
        if kind not in (None, "detail") or previous.kind not in ("detail", "worker") or self.joined > _MAX_JOINED:
            return False
        return not is_whole(_WORKER.sub("", previous.text, count=1))

    def joins(self, previous: PlanLine, indent: int, text: str) -> bool:
        """Whether an unknown line is the rest of the one before it."""
        if not self.lines[self.index - 1].strip():
            return False
        if previous.kind == "node":
            return self.joined <= _MAX_JOINED and self.joins_node(previous, text)
        if previous.open.wants_more:
            return True
        if previous.kind == "footer" and previous.text.startswith("Settings:"):
            return not previous.text.endswith("'") and self.joined <= _MAX_JOINED
        if previous.kind in ("detail", "footer", "worker") and _GOES_ON.match(text):
            return True
        # An unknown line of the form "Label: value" is something of its own, not the rest of another.
        return previous.kind == "detail" and indent > self.base and label_of(text) is None

    def joins_node(self, previous: PlanLine, text: str) -> bool:
        if begins_with_figures(text) or previous.open.wants_more:
            return True
        return has_figures(text) and not has_figures(previous.text)

    def close_quote(self, line: PlanLine) -> None:
        """A constant with line breaks in it goes on in the next lines, up to its closing quote."""
        added: list[str] = []
        ahead = Openness(line.text)
        for offset in range(_MAX_QUOTED_LINES):
            if self.index + offset >= len(self.lines):
                return
            raw = self.lines[self.index + offset]
            added.append("\n" + (raw[self.base :] if not raw[: self.base].strip() else raw))
            ahead.feed(added[-1])
            if not ahead.in_constant:
                line.join("".join(added))
                self.index += offset + 1
                return

    def goes_on_after_blank(self) -> bool:
        """Whether the plan goes on behind an empty line: some mails put one behind every line."""
        following = self.next_filled(self.index)
        text = following.strip()
        if not text or _END.match(text):
            return False
        indent = len(following) - len(following.lstrip())
        if self.below_tree and not is_footer(text):
            return self.kind(indent, text) == "detail" and indent > self.base
        kind = self.kind(indent, text)
        return kind in ("node", "footer") or (kind not in (None, "root") and indent > self.base)
