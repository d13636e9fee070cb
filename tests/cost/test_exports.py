"""Every name that the cost model offers is used: by the product outside of it, or by another part of it."""

from __future__ import annotations

import ast
from pathlib import Path

import rowreckon
from rowreckon import cost

SOURCE = Path(rowreckon.__file__).parent


def _used(path: Path) -> set[str]:
    """Names that a module reads; what it imports and never reads is not among them."""
    tree = ast.walk(ast.parse(path.read_text()))
    return {n.id if isinstance(n, ast.Name) else n.attr for n in tree if isinstance(n, (ast.Name, ast.Attribute))}


def test_every_exported_name_is_used() -> None:
    """A formula that nothing asks for is either to be put to use or to go."""
    used = {name for path in SOURCE.rglob("*.py") if path != Path(cost.__file__) for name in _used(path)}
    idle = set(cost.__all__) - used

    assert not idle


def _fed(fields: dict[str, tuple[str, ...]]) -> dict[str, set[str]]:
    """By class the fields that some call in the product gives a value: by place, by name, or in a changed copy."""
    fed: dict[str, set[str]] = {name: set() for name in fields}
    for path in SOURCE.rglob("*.py"):
        for call in (n for n in ast.walk(ast.parse(path.read_text())) if isinstance(n, ast.Call)):
            called = call.func.id if isinstance(call.func, ast.Name) else getattr(call.func, "attr", "")
            named = {keyword.arg for keyword in call.keywords if keyword.arg is not None}
            if called in fields:
                fed[called] |= named | set(fields[called][: len(call.args)])
            elif called in ("replace", "_replace"):
                for name in fields:
                    fed[name] |= named & set(fields[name])
    return fed


def test_every_term_is_fed() -> None:
    """A field that no product code ever sets is a figure that the model leaves at its default for good."""
    fields = {name: tuple(getattr(cost, name).__annotations__) for name in cost.__all__ if name.endswith("Terms")}
    fed = _fed(fields)
    unfed = {f"{name}.{field}" for name in fields for field in fields[name] if field not in fed[name]}

    assert len(fields) >= 3
    assert not unfed
