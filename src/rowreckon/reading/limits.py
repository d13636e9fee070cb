"""How much input is taken before it is refused: limits on size, nesting and number of plans."""

from __future__ import annotations

from rowreckon.errors import InputTooLarge
from rowreckon.frozen import frozen

_HINT = "raise the limit, or split the input"


@frozen
class Limits:
    """Bounds on one input; each can be raised where a real plan needs more.

    `max_bytes`: size of the input after unpacking, and of its text in memory, where characters beyond Latin make all
    of them wider. It also bounds, in proportion, what takes far more memory than its bytes: lines, values, nodes. A
    server log may be of any size: there it bounds one entry.
    `max_depth`: levels of plan nodes below one another.
    `max_plans`: plans in one input.
    """

    max_bytes: int = 64 * 1024 * 1024
    max_depth: int = 1000
    max_plans: int = 100_000

    @property
    def max_nesting(self) -> int:
        """Containers inside containers that a document of `max_depth` plan levels can need.

        Each plan level takes two (the node and its list of children); the rest is room for the envelope
        around the plan and for nested values of the deepest node.
        """
        return 2 * self.max_depth + 32

    @property
    def max_lines(self) -> int:
        """Lines of a text that is gone through line by line: two million by default, a hundred bytes of memory each."""
        return max(self.max_bytes // 32, 100_000)

    @property
    def max_plan_lines(self) -> int:
        """Lines of one plan in the text format: 262,144 by default, about 500 bytes of memory each."""
        return max(self.max_lines // 8, 50_000)

    @property
    def max_values(self) -> int:
        """Objects, lists and keys of a JSON document: a million by default, up to 300 bytes of memory each."""
        return max(self.max_bytes // 64, 100_000)

    @property
    def max_nodes(self) -> int:
        """Plan nodes of all plans together: 65,536 by default, about 6 kB of memory each."""
        return max(self.max_bytes // 1024, 10_000)

    def check_bytes(self, size: int) -> None:
        """Raise InputTooLarge where the input has more bytes."""
        if size > self.max_bytes:
            raise InputTooLarge(f"the input has more than {self.max_bytes:,} bytes, the limit", hint=_HINT)

    def check_count(self, count: int, most: int, what: str) -> None:
        """Raise InputTooLarge where there are more of them than `most`; `what` are they, in the plural."""
        if count > most:
            raise InputTooLarge(f"the input has more than {most:,} {what}", hint=_HINT)
