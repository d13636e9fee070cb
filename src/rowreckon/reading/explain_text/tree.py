"""Put the lines of one plan together into a tree, by their indentation."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from rowreckon.reading.explain_text.block import Block, PlanLine
from rowreckon.reading.explain_text.details import label_of, put_buffers, put_detail, put_io_timings
from rowreckon.reading.explain_text.footer import put_footer, put_jit, put_memory
from rowreckon.reading.explain_text.header import parse_header, parse_target, put_actual
from rowreckon.reading.explain_text.items import listed

_WORKER = re.compile(r"Worker (\d{1,9}): *|JIT for worker (\d{1,9}):$")
_JOINS = ("Nested Loop", "Hash Join", "Merge Join")
_MEMBERS = ("Append", "Merge Append", "BitmapAnd", "BitmapOr")
_TWO = (*_JOINS, "Recursive Union", "SetOp")
_HAVE_AN_INPUT = frozenset(
    (
        "Sort",
        "Incremental Sort",
        "Limit",
        "Aggregate",
        "Group",
        "Unique",
        "WindowAgg",
        "Hash",
        "Materialize",
        "Memoize",
        "Gather",
        "Gather Merge",
        "LockRows",
        "SetOp",
        "Subquery Scan",
        "Bitmap Heap Scan",
    )
)
_USAGE: dict[str, Callable[[dict[str, Any], str], bool]] = {"Buffers": put_buffers, "I/O Timings": put_io_timings}
UNKNOWN = "Unrecognised Lines"


class LostShape(Exception):
    """The tree can't be told from the lines: `reason` says why, `number` is the line."""

    def __init__(self, reason: str, number: int) -> None:
        self.reason = reason
        self.number = number
        super().__init__(reason)


@dataclass(slots=True)
class Root:
    """A node that no other stands above, with the number of its line."""

    node: dict[str, Any]
    number: int


@dataclass(slots=True)
class Grown:
    """The trees of one block: one, or several where the top was cut off; `document` holds what stands below."""

    roots: list[Root] = field(default_factory=list)
    document: dict[str, Any] = field(default_factory=dict)
    leading: int = 0


@dataclass(slots=True)
class _Level:
    """Something that lines further right belong to."""

    indent: int
    kind: str  # node, title, worker, target, planning, jit, serialization, sets
    value: dict[str, Any]
    title: str = ""


def grow(block: Block) -> Grown:
    """The trees in `block`. Raises LostShape."""
    return _Growing().run(block)


class _Growing:
    def __init__(self) -> None:
        self.grown = Grown()
        self.levels: list[_Level] = []
        self.workers: dict[tuple[int, int], dict[str, Any]] = {}

    def run(self, block: Block) -> Grown:
        for line in block.lines:
            if line.kind == "node":
                self.node(line)
            elif line.kind == "footer":
                self.footer(line)
            elif not self.grown.roots:
                self.grown.leading += 1
            else:
                self.below(line)
        return self.grown

    def node(self, line: PlanLine) -> None:
        node = parse_header(line.text)
        if node is None:
            raise LostShape(_no_node(line.text), line.number)
        self.close(line.indent)
        above = self.levels[-1] if self.levels else None
        if above is not None and above.kind == "title":
            owner = next((level for level in reversed(self.levels) if level.kind == "node"), None)
            node["Parent Relationship"] = "SubPlan" if above.title.startswith("SubPlan") else "InitPlan"
            node["Subplan Name"] = above.title
            self.attach(owner.value if owner else None, node, line)
        elif above is not None and above.kind != "node":
            raise LostShape("a plan node stands below a line that is none; the indentation was lost", line.number)
        else:
            self.attach(above.value if above else None, node, line)
        self.levels.append(_Level(line.indent, "node", node))

    def attach(self, parent: dict[str, Any] | None, node: dict[str, Any], line: PlanLine) -> None:
        if parent is None:
            self.grown.roots.append(Root(node, line.number))
        else:
            parent.setdefault("Plans", []).append(node)

    def close(self, indent: int) -> None:
        while self.levels and self.levels[-1].indent >= indent:
            self.levels.pop()

    def below(self, line: PlanLine) -> None:
        self.close(line.indent)
        if not self.levels:
            # A detail of a node that was cut off, or of a root whose own indentation was lost.
            last = self.grown.roots[-1]
            if line.indent == 0 or len(self.grown.roots) > 1:
                return
            self.levels.append(_Level(-1, "node", last.node))
        level = self.levels[-1]
        if line.kind == "title":
            self.levels.append(_Level(line.indent, "title", level.value, line.text))
        elif line.kind == "target":
            target = parse_target(line.text) or {}
            level.value.setdefault("Target Tables", []).append(target)
            self.levels.append(_Level(line.indent, "target", target))
        elif line.kind == "worker":
            self.worker(line, level)
        else:
            self.detail(line, level)

    def worker(self, line: PlanLine, level: _Level) -> None:
        match = _WORKER.match(line.text)
        if match is None or level.kind != "node":
            level.value.setdefault(UNKNOWN, []).append(line.text)
            return
        number = int(match[1] or match[2])
        worker = self.workers.get((id(level.value), number))
        if worker is None:
            worker = {"Worker Number": number}
            self.workers[id(level.value), number] = worker
            level.value.setdefault("Workers", []).append(worker)
        rest = line.text[match.end() :]
        if match[2]:
            self.levels.append(_Level(line.indent, "jit", worker.setdefault("JIT", {})))
            return
        self.levels.append(_Level(line.indent, "worker", worker))
        if rest and not put_actual(worker, rest):
            self.detail(PlanLine(line.indent + 2, rest, line.number, "detail"), self.levels[-1])

    def detail(self, line: PlanLine, level: _Level) -> None:
        text, value = line.text, level.value
        label = label_of(text) or ""
        if level.kind == "jit":
            understood = put_jit(value, text)
        elif level.kind == "planning" and label == "Memory":
            understood = put_memory(value, text)
        elif level.kind in ("planning", "serialization"):
            usage = _USAGE.get(label)
            understood = usage is not None and usage(value, text)
        elif label == "Group Key" and self.grouping(value, level, text, line.indent):
            understood = True
        elif label == "Sort Key" and value.get("Node Type") in ("Aggregate", "Group"):
            grouping: dict[str, Any] = {"Sort Key": listed(text.partition(":")[2].strip()), "Group Keys": []}
            self.sets(value).append(grouping)
            self.levels.append(_Level(line.indent, "sets", grouping))
            understood = True
        else:
            understood = put_detail(value, label, text)
            if understood and label == "Hash Key":
                self.sets(value)
        if not understood:
            value.setdefault(UNKNOWN, []).append(text)

    def sets(self, node: dict[str, Any]) -> list[dict[str, Any]]:
        """The grouping sets of a node; a group key that came alone so far becomes the first of them."""
        if "Group Key" in node:
            node["Grouping Sets"] = [{"Group Keys": [node.pop("Group Key")]}, *node.get("Grouping Sets", [])]
        sets: list[dict[str, Any]] = node.setdefault("Grouping Sets", [])
        return sets

    def grouping(self, value: dict[str, Any], level: _Level, text: str, indent: int) -> bool:
        """Group keys of grouping sets: below a sort key, or several in one node; an empty one is `()`."""
        keys = text.partition(":")[2].strip()
        items = [] if keys == "()" else listed(keys)
        if level.kind == "sets":
            value["Group Keys"].append(items)
            return True
        if keys != "()" and "Group Key" not in value and "Grouping Sets" not in value:
            return False
        sets = self.sets(value)
        if sets and "Group Keys" in sets[-1] and "Sort Key" not in sets[-1] and "Hash Keys" not in sets[-1]:
            sets[-1]["Group Keys"].append(items)
        else:
            sets.append({"Group Keys": [items]})
        return True

    def footer(self, line: PlanLine) -> None:
        inside = next((each for each in reversed(self.levels) if each.indent < line.indent), None)
        if line.text == "JIT:" and inside is not None and inside.kind == "worker":
            self.close(line.indent)
            self.levels.append(_Level(line.indent, "jit", inside.value.setdefault("JIT", {})))
            return
        self.levels.clear()
        document = self.grown.document
        if line.text in ("Planning:", "JIT:"):
            kind = line.text.rstrip(":")
            self.levels.append(_Level(line.indent, kind.lower(), document.setdefault(kind, {})))
        elif not put_footer(document, line.text):
            document.setdefault(UNKNOWN, []).append(line.text)
        elif line.text.startswith("Serialization:"):
            self.levels.append(_Level(line.indent, "serialization", document["Serialization"]))


def _no_node(text: str) -> str:
    """Why a line is no node: mostly its end is missing, since a terminal or a client cut it off."""
    begun = max(text.rfind("(cost="), text.rfind("(actual "))
    if begun >= 0 and ")" not in text[begun:]:
        return (
            "the line ends within its figures: a line limit of the terminal or client cut it off. "
            "Print the plan again without one, best with FORMAT JSON"
        )
    return f"{text[:60]!r} is no line of a plan node"


def relate(node: dict[str, Any], number: int) -> None:
    """Say of each child below `node` how it stands to its parent, as FORMAT JSON does. Raises LostShape."""
    stack = [node]
    while stack:
        parent = stack.pop()
        children = parent.get("Plans", [])
        stack.extend(children)
        inputs = [child for child in children if "Subplan Name" not in child]
        kind = parent["Node Type"]
        if kind in _JOINS and len(inputs) != 2:
            have = {0: "none", 1: "only one"}.get(len(inputs), str(len(inputs)))
            cut = len(inputs) < 2
            reason = "the plan is cut off" if cut else "the indentation that shows the tree was lost"
            raise LostShape(f"{reason}: a {kind} has two inputs, here are {have}", number)
        if kind in _HAVE_AN_INPUT and not inputs:
            raise LostShape(f"the plan is cut off: a {kind} has an input, here is none", number)
        for position, child in enumerate(inputs):
            child["Parent Relationship"] = _relationship(kind, position, len(inputs))


def _relationship(kind: str, position: int, inputs: int) -> str:
    if kind in _MEMBERS or (kind == "ModifyTable" and inputs > 1) or (kind == "Bitmap Heap Scan" and inputs > 1):
        return "Member"
    if kind == "Subquery Scan":
        return "Subquery"
    return "Inner" if position == 1 and kind in _TWO else "Outer"
