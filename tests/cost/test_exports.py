"""Every name that the cost model offers is used: by the product outside of it, or by another part of it."""

from __future__ import annotations

import ast
from pathlib import Path

import rowreckon
from rowreckon import cost

SOURCE = Path(rowreckon.__file__).parent

PRICES_RIVALS_BELOW_A_GATHER = {
    "array_cost": "filters of a rival scan with = ANY of constants",
    "bitmap_and": "rival bitmap scans of several indexes",
    "bitmap_or": "rival bitmap scans of several indexes",
    "cost_gather_merge": "rivals whose rows come up in order",
    "gather_merge_rows": "rivals whose rows come up in order",
    "operator_cost": "filters of a rival scan",
    "partial_index_tuples": "rival scans of a partial index",
}
"""Names that only live tests use so far: each is a formula that pricing a rival below a Gather needs, and why."""


def _used(path: Path) -> set[str]:
    """Names that a module reads; what it imports and never reads is not among them."""
    tree = ast.walk(ast.parse(path.read_text()))
    return {n.id if isinstance(n, ast.Name) else n.attr for n in tree if isinstance(n, (ast.Name, ast.Attribute))}


def test_every_exported_name_is_used() -> None:
    """A formula that nothing asks for is either to be put to use or to go."""
    used = {name for path in SOURCE.rglob("*.py") if path != Path(cost.__file__) for name in _used(path)}
    idle = set(cost.__all__) - used

    assert idle == set(PRICES_RIVALS_BELOW_A_GATHER)
