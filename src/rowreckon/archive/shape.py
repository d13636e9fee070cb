"""A plan's shape: its structure, node types, relations and conditions without literals; no number of any execution.

Nodes with the same keys and the same types of values share a layout, worked out once: which keys make the shape, which
hold numbers, and whether the node may be read without building its typed form.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from hashlib import blake2b
from operator import itemgetter
from typing import Any

from pydantic import ValidationError

from rowreckon.archive.literals import Remembered
from rowreckon.plan.keys import MOST
from rowreckon.plan.nodes import FAMILIES, OtherNode, model_of

Raw = dict[str, Any]
Walked = tuple[tuple[Any, ...], list[Raw], bool]

# What the planner decides, as printed; what the executor adds (methods of a sort, batches, buffers) is no shape.
_PLAIN = (
    "Node Type",
    "Strategy",
    "Partial Mode",
    "Operation",
    "Parent Relationship",
    "Subplan Name",
    "Parallel Aware",
    "Custom Plan Provider",
    "Join Type",
    "Inner Unique",
    "Scan Direction",
    "Relation Name",
    "Schema",
    "Alias",
    "Index Name",
    "CTE Name",
    "Tuplestore Name",
    "Function Name",
    "Table Function Name",
    "Single Copy",
    "Workers Planned",
    "Command",
    "Cache Mode",
    "Disabled",
)
_CONDITIONS = (
    "Hash Cond",
    "Merge Cond",
    "Join Filter",
    "Index Cond",
    "Recheck Cond",
    "TID Cond",
    "Filter",
    "One-Time Filter",
    "Run Condition",
    "Order By",
    "Cache Key",
)
_LISTS = ("Sort Key", "Presorted Key", "Group Key")
_TEXT_LISTS = (*_LISTS, "Output", "Params Evaluated", "Sampling Parameters", "Conflict Arbiter Indexes")
_COUNTED = ("Plan Rows", "Actual Rows", "Actual Loops")
_SIGNED = "Plan Width"
_TEXT = {str}
_MOST = float(MOST)
_MOST_LAYOUTS = 5_000


class NotPlain(Exception):
    """The plan holds something that only its typed form can check."""


@dataclass(slots=True)
class Layout:
    """What to take from a node with these keys: `names` of the shape's keys, and how to get each group of values."""

    names: str
    plain: Callable[[Raw], Any]
    conditions: tuple[str, ...]
    lists: tuple[str, ...]
    texts: tuple[str, ...]
    words: tuple[str, ...]
    numbers: Callable[[Raw], Any]
    counted: bool
    nested: bool
    unusual: bool
    output: bool
    has_plans: bool
    types: tuple[type, ...]


class Shapes:
    """Walks plans and gives each its shape; remembers layouts and conditions between plans."""

    def __init__(self) -> None:
        self.layouts: dict[tuple[tuple[str, ...], tuple[type, ...]], Layout] = {}
        self.by_keys: dict[tuple[str, ...], Layout] = {}
        self.bare = Remembered()

    def quick_walk(self, root: Raw) -> Walked | None:
        """The walk without looking at each value's type; None where a node's keys are new or hold other types. What
        gives the shape no hash is no plan either.

        It needs a plan without minus signs. Sums and joins fail on a wrong type; a flag would pass for a number, in
        figures that no digest holds.
        """
        layouts, bare, known = self.by_keys, self.bare, self.bare.known
        shape: list[Any] = []
        nodes: list[Raw] = []
        counted = True
        stack = [root]
        try:
            while stack:
                node = stack.pop()
                layout = layouts[tuple(node)]
                nodes.append(node)
                shape += layout.names, layout.plain(node)
                for name in layout.conditions:
                    condition = node[name]
                    shape.append(known.get(condition) or bare(condition))
                if layout.unusual:
                    if layout.nested:
                        return None
                    for name in layout.words:
                        "".join((node[name],))
                    for name in layout.texts:
                        "".join(node[name])
                    for name in layout.lists:
                        shape.append(tuple([known.get(part) or bare(part) for part in node[name]]))
                if sum(layout.numbers(node)) > _MOST:
                    return None
                counted = counted and layout.counted
                if layout.has_plans:
                    plans = node["Plans"]
                    shape.append(len(plans))
                    if layout.output and _has_subplans(plans):
                        shape.append(_says_hashed(node))
                    stack += plans[::-1]
        except (TypeError, KeyError, AttributeError):
            return None
        return tuple(shape), nodes, counted

    def walk(self, root: Raw) -> Walked:
        """A plan's shape as a hashable value, its nodes in pre-order, and whether each carries all three counts.

        Raises NotPlain where a value is of a type or a sign that a plan does not have.
        """
        bare = self.bare
        shape: list[Any] = []
        nodes: list[Raw] = []
        counted = True
        stack = [root]
        while stack:
            node = stack.pop()
            try:
                keys = tuple(node)
                types = tuple(map(type, node.values()))
            except (TypeError, AttributeError):
                raise NotPlain from None
            layout = self.layouts.get((keys, types)) or self.new_layout(keys, types, node)
            nodes.append(node)
            shape += layout.names, layout.plain(node)
            shape += [bare(node[name]) for name in layout.conditions]
            for name in layout.texts:
                if set(map(type, node[name])) - _TEXT:
                    raise NotPlain
            shape += [tuple([bare(text) for text in node[name]]) for name in layout.lists]
            if layout.nested:
                _check(node)
            numbers = layout.numbers(node)
            if min(numbers) < 0 or sum(numbers) > _MOST:
                raise NotPlain
            counted = counted and layout.counted
            if layout.has_plans:
                plans = node["Plans"]
                shape.append(len(plans))
                if layout.output and _has_subplans(plans):
                    shape.append(_says_hashed(node))
                stack += plans[::-1]
        return tuple(shape), nodes, counted

    def check(self, nodes: list[Raw]) -> None:
        """Look at each value's type, as `walk` does. Raises NotPlain where it is none that a plan has."""
        for node in nodes:
            keys, types = tuple(node), tuple(map(type, node.values()))
            last = self.by_keys.get(keys)
            if (last is None or last.types != types) and (keys, types) not in self.layouts:
                self.new_layout(keys, types, node)

    def new_layout(self, keys: tuple[str, ...], types: tuple[type, ...], node: Raw) -> Layout:
        """The layout of nodes like this one. Raises NotPlain where the typed form refuses it."""
        _check(node)
        kinds = dict(zip(keys, types, strict=True))
        plain = tuple(n for n in _PLAIN if n in kinds)
        lists = tuple(n for n in _LISTS if kinds.get(n) is list)
        conditions = tuple(n for n in _CONDITIONS if kinds.get(n) is str)
        numbers = tuple(n for n, kind in kinds.items() if kind in (int, float) and n != _SIGNED)
        texts = tuple(n for n in _TEXT_LISTS if kinds.get(n) is list)
        words = tuple(n for n, k in kinds.items() if k is str and n not in plain and n not in conditions)
        nested = any(kind in (list, dict) and n != "Plans" and n not in texts for n, kind in kinds.items())
        layout = Layout(
            names="\n".join((*plain, "", *conditions, "", *lists)),
            plain=itemgetter(*plain),
            conditions=conditions,
            lists=lists,
            texts=texts,
            words=words,
            numbers=itemgetter(*numbers, *numbers[:1]) if numbers else _no_numbers,
            counted=all(kinds.get(n) in (int, float) for n in _COUNTED),
            nested=nested,
            unusual=bool(nested or words or texts),
            output=kinds.get("Output") is list,
            has_plans="Plans" in kinds,
            types=types,
        )
        if len(self.layouts) >= _MOST_LAYOUTS:
            self.layouts.clear()
            self.by_keys.clear()
        self.layouts[keys, types] = self.by_keys[keys] = layout
        return layout


def shape_digest(shape: tuple[Any, ...]) -> bytes:
    """Eight bytes that stand for a shape, the same in every process."""
    return blake2b(repr(shape).encode(errors="backslashreplace"), digest_size=8).digest()


def _has_subplans(plans: list[Any]) -> bool:
    return any(type(plan) is dict and "Subplan Name" in plan for plan in plans)


def _says_hashed(node: Raw) -> bool:
    return any("hashed SubPlan" in text for text in node["Output"])


def _no_numbers(_node: Raw) -> tuple[int, ...]:
    return (0,)


def _check(node: Raw) -> None:
    """Let the typed form look at one node without its children."""
    kind = node.get("Node Type")
    plans = node.get("Plans", [])
    if not isinstance(kind, str) or not isinstance(plans, list):
        raise NotPlain
    model = model_of(FAMILIES.get(kind, OtherNode))
    try:
        model.model_validate({name: value for name, value in node.items() if name != "Plans"})
    except ValidationError:
        raise NotPlain from None
