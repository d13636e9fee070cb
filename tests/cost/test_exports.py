"""Every name that the cost model offers is used: by the product outside of it, or by another part of it."""

from __future__ import annotations

import ast
import functools
from pathlib import Path

import rowreckon
from rowreckon import cost

SOURCE = Path(rowreckon.__file__).parent


@functools.cache
def _trees() -> dict[str, ast.Module]:
    """The product's modules by their dotted name."""
    parent = SOURCE.parent
    return {
        ".".join(path.relative_to(parent).with_suffix("").parts): ast.parse(path.read_text())
        for path in SOURCE.rglob("*.py")
    }


def _used(tree: ast.Module) -> set[str]:
    """Names that a module reads; what it imports and never reads is not among them."""
    return {
        n.id if isinstance(n, ast.Name) else n.attr for n in ast.walk(tree) if isinstance(n, (ast.Name, ast.Attribute))
    }


def test_every_exported_name_is_used() -> None:
    """A formula for which no module but its own asks is either to be put to use or to go."""
    imports = (n for n in _trees()["rowreckon.cost.__init__"].body if isinstance(n, ast.ImportFrom))
    home = {alias.name: node.module for node in imports for alias in node.names}
    used = {module: _used(tree) for module, tree in _trees().items() if module != "rowreckon.cost.__init__"}
    idle = {name for name in cost.__all__ if not any(name in names for at, names in used.items() if at != home[name])}

    assert set(home) == set(cost.__all__)
    assert not idle


def _fed(fields: dict[str, tuple[str, ...]]) -> dict[str, set[str]]:
    """By class the fields that some call in the product gives a value: by place, by name, or in a changed copy."""
    fed: dict[str, set[str]] = {name: set() for name in fields}
    for tree in _trees().values():
        for call in (n for n in ast.walk(tree) if isinstance(n, ast.Call)):
            called = call.func.id if isinstance(call.func, ast.Name) else getattr(call.func, "attr", "")
            named = {keyword.arg for keyword in call.keywords if keyword.arg is not None}
            if called in fields:
                fed[called] |= named | set(fields[called][: len(call.args)])
            elif called in ("replace", "_replace"):
                for name in fields:
                    fed[name] |= named & set(fields[name])
    return fed


def test_every_field_is_fed() -> None:
    """A field that no product code ever sets is a figure that the model leaves at its default for good.

    Settings are fed by their names out of EXPLAIN or pg_settings, so that of them it is asked what reads them.
    """
    values = {name: getattr(cost, name) for name in cost.__all__ if isinstance(getattr(cost, name), type)}
    fields = {name: tuple(of.__annotations__) for name, of in values.items() if of is not cost.CostSettings}
    fed = _fed(fields)
    unfed = {f"{name}.{field}" for name in fields for field in fields[name] if field not in fed[name]}

    assert {"HashJoinTerms", "MergeJoinTerms", "NestLoopTerms", "IndexCondition"} <= set(fields)
    assert not unfed


def test_every_field_is_read() -> None:
    """A figure that nothing reads says nothing, a setting that no cost depends on included."""
    values = [getattr(cost, name) for name in cost.__all__ if isinstance(getattr(cost, name), type)]
    fields = {field for of in values for field in of.__annotations__}
    read = {
        node.attr
        for tree in _trees().values()
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Load)
    }

    assert not fields - read
