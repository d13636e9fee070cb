"""What a text would take in memory, told before it is taken apart: by counting signs, and nodes once it is JSON."""

from __future__ import annotations

from typing import Any

from rowreckon.reading.limits import Limits

_PIECE = 1 << 17
"""Characters that are looked at together: what stays in the processor's cache."""
_NO_SIGNS = bytes(set(range(256)) - set(b"{[:,"))


def check_values(text: str, limits: Limits) -> None:
    """Raise InputTooLarge where a text has too many values of JSON or YAML, whatever its size."""
    most = limits.max_values
    if _signs(text) <= most:  # one walk, which settles it for all but the largest
        return
    opened = text.count("{") + text.count("[")
    if opened + text.count(":") > most:  # one character is counted five times as fast as two, and mostly settles it
        limits.check_count(opened + text.count('":'), most, "values")
    if len(text) > 4 * most:
        # A value in a list is small beside one with a key, and a comma may stand in a text.
        limits.check_count(text.count(","), 4 * most, "values")


def _signs(text: str) -> int:
    """The signs that begin a value or stand between two, those within strings included."""
    pieces = (text[at : at + _PIECE].encode(errors="replace") for at in range(0, len(text), _PIECE))
    return sum(len(piece.translate(None, _NO_SIGNS)) for piece in pieces)


def check_elements(text: str, limits: Limits) -> None:
    """Raise InputTooLarge where a text has too many elements of XML, each of which begins and ends."""
    limits.check_count(text.count("<"), 2 * limits.max_values, "elements")


def check_lines(text: str, limits: Limits) -> None:
    """Raise InputTooLarge where a text has too many lines."""
    limits.check_count(text.count("\n") + text.count("\r"), limits.max_lines, "lines")


def nodes_below(document: dict[str, Any], most: int) -> int:
    """How many plan nodes a document of FORMAT JSON holds; counting ends soon behind `most`."""
    count = 0
    stack = [document.get("Plan")]
    while stack and count <= most:
        node = stack.pop()
        count += 1
        below = node.get("Plans") if isinstance(node, dict) else None
        if isinstance(below, list):
            stack += below
    return count
