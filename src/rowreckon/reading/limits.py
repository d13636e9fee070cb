"""How much input is taken before it is refused: limits on size, nesting and number of plans."""

from __future__ import annotations

from rowreckon.frozen import frozen


@frozen
class Limits:
    """Bounds on one input; each can be raised where a real plan needs more.

    `max_bytes`: size of the input (bytes, or characters where text is given).
    `max_depth`: levels of plan nodes below one another.
    `max_plans`: plans in one input.
    """

    max_bytes: int = 256 * 1024 * 1024
    max_depth: int = 1000
    max_plans: int = 100_000

    @property
    def max_nesting(self) -> int:
        """Containers inside containers that a document of `max_depth` plan levels can need.

        Each plan level takes two (the node and its list of children); the rest is room for the envelope
        around the plan and for nested values of the deepest node.
        """
        return 2 * self.max_depth + 32
