"""Nodes as folding needs them: a family's own fields under their names, taken from a node that was checked before.

pydantic's model of a node takes fifty times as long to fill. What `counts` asks of a node, it asks of these as well; a
plan that is to be judged gets its models.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cache
from inspect import get_annotations
from operator import itemgetter
from typing import Any

from rowreckon.plan.base import PlanNode
from rowreckon.plan.keys import MaybeFlag, MaybeText, Text, explain_key
from rowreckon.plan.nodes import FAMILIES, OtherNode
from rowreckon.plan.tree import PlanTree

Raw = dict[str, Any]

# What is asked of a record beside texts and flags.
_NUMBERS_NEEDED = frozenset({"plan_rows", "actual_rows", "actual_loops", "workers_planned", "workers_launched"})
_TEXTS = (Text, MaybeText, MaybeFlag, tuple[Text, ...] | None)
_MOST_TAKERS = 5_000
_MOST_TYPES = 100
"""Most types of nodes with the same keys; PostgreSQL has about forty, but a log may name any."""
_Taker = tuple[type[Any], tuple[str, ...], Callable[[Raw], tuple[Any, ...]]]
_takers: dict[tuple[str, ...], dict[str, _Taker]] = {}


class _Record:
    """What every record has; a field that a node lacks is None, as in a model."""

    actual_loops: float | None

    @property
    def loops(self) -> float:
        """Executions, summed over workers; 0 if never executed."""
        return self.actual_loops or 0


for _name in PlanNode.__annotations__:
    setattr(_Record, _name, None)


def tree_of(nodes: Sequence[Raw]) -> PlanTree:
    """The tree of a plan whose nodes, in pre-order, are known to be what PostgreSQL prints."""
    count = len(nodes)
    parent, position = [-1] * count, [0] * count
    below: list[list[int]] = [[] for _ in nodes]
    end = list(range(1, count + 1))
    above: list[tuple[int, int]] = []  # the nodes whose children are still to come, and how many these are
    records: list[Any] = []
    takers = _takers
    for number, node in enumerate(nodes):
        if above:
            over, left = above.pop()
            siblings = below[over]
            parent[number], position[number] = over, len(siblings)
            siblings.append(number)
            if left > 1:
                above.append((over, left - 1))
        if "Plans" in node and (plans := node["Plans"]):
            above.append((number, len(plans)))
        try:
            kind, fields, values = takers[tuple(node)][node["Node Type"]]
        except KeyError:
            kind, fields, values = _new_taker(node["Node Type"], tuple(node))
        record = kind()
        record.__dict__.update(zip(fields, values(node), strict=True))
        records.append(record)
    for number in range(count - 1, 0, -1):
        over = parent[number]
        if end[number] > end[over]:
            end[over] = end[number]
    return PlanTree(
        nodes=tuple(records),
        parent=tuple(parent),
        children=tuple(map(tuple, below)),
        end=tuple(end),
        position=tuple(position),
    )


def _new_taker(node_type: str, keys: tuple[str, ...]) -> _Taker:
    """How records are made of nodes of a type that have these keys: their class, their fields, and how to get these."""
    if len(_takers) >= _MOST_TAKERS or len(_takers.get(keys, ())) >= _MOST_TYPES:
        _takers.clear()
    kind, names = _kind_of(FAMILIES.get(node_type, OtherNode))
    taken = [key for key in keys if key in names]
    # The type twice: a getter of a single key would give no tuple.
    made = kind, (*(names[key] for key in taken), "node_type"), itemgetter(*taken, "Node Type")
    _takers.setdefault(keys, {})[node_type] = made
    return made


@cache
def _kind_of(family: type[PlanNode]) -> tuple[type[Any], Mapping[str, str]]:
    """The class of a family's records, of which `isinstance` holds what it holds of models, and its fields by key."""
    fields: dict[str, Any] = {}
    for each in (*family.__mro__, PlanNode):
        fields |= get_annotations(each)
    needed = [n for n, kind in fields.items() if n in _NUMBERS_NEEDED or kind in _TEXTS]
    return type(family.__name__, (family, _Record), {}), {explain_key(n): n for n in needed}
