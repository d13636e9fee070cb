"""What following an object may ask of the closure that it belongs to: look at others too, or object."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol


class Reaching(Protocol):
    """The side of a `Closure` that the modules for functions, types and relations see; `closure.py` says what each
    member does."""

    path: list[str]
    columns: frozenset[str] | None
    writing: bool
    named: set[str]

    def reach(self, kind: str, oid: int, through: str | None, mode: str = "") -> None:
        """Look at this object too."""

    def reach_tree(self, tree: str | None, through: str | None, *, written: bool = False) -> None:
        """Look at all that a stored expression or rule refers to."""

    def fold_tree(self, tree: str, through: str) -> None:
        """Look at what the planner alone may call of a stored expression."""

    def reach_body(self, text: str, path: list[str] | None, through: str) -> None:
        """Read a function's body of SQL."""

    def use_classes(self, oids: Iterable[int]) -> None:
        """These operator classes are used."""

    def concern(self, what: str, why: str, through: str | None) -> None:
        """Something speaks against running the statement."""
