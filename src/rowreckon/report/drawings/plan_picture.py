"""A plan as a picture, as plain data: one line a node, its rows on a scale that all lines share, its own time.

Grown out of the row ruler: the same logarithmic line of rows, a ring for what was expected, a dot for what came, a bar
where another join method takes over.  `plan_text` and `plan_svg` draw it.
"""

from __future__ import annotations

from typing import Literal

from rowreckon.frozen import frozen

Error = Literal["", "under", "over"]


@frozen
class RowStrip:
    """One node's rows, in decades (log10, rows below one counting as one); None where not known.

    `error` is set only where the estimate was off by an order of magnitude: `under` where more came than was expected.
    `more` says that what came is only a lower bound. `switches` are the outer rows from which another method is
    cheaper, for the outer input of a join.
    """

    expected: float | None
    came: float | None
    error: Error = ""
    more: bool = False
    switches: tuple[float, ...] = ()
    said: str = ""


@frozen
class Rails:
    """Where a line hangs: for each level above, whether that level goes on below; `opens` where lines hang on it."""

    above: tuple[bool, ...]
    last: bool
    opens: bool

    @property
    def depth(self) -> int:
        """Levels below the root."""
        return len(self.above)


@frozen
class NodeLine:
    """One node: its whole name, what it reads, the verdict and the border where it is a join, where an error enters.

    `enters` is empty unless an error enters at this node; `details` are (what, figure or text), shown on demand.
    """

    node: int
    rails: Rails
    name: str
    reads: str
    rows: RowStrip
    ms: float | None
    verdict: str = ""
    border: str = ""
    enters: str = ""
    details: tuple[tuple[str, str], ...] = ()


@frozen
class FoldLine:
    """Nodes that are neither slow nor wrong, in one line."""

    rails: Rails
    said: str
    nodes: tuple[int, ...]
    lines: tuple[NodeLine, ...] = ()


@frozen
class PlanPicture:
    """The whole picture; `high` is the last whole decade of the scale, which begins at one row."""

    high: int
    longest_ms: float
    lines: tuple[NodeLine | FoldLine, ...]

    def fraction(self, decade: float) -> float:
        """Where a decade lies on the scale, from 0 to 1."""
        return min(1.0, max(0.0, decade / self.high))

    def switches(self, rows: RowStrip) -> tuple[float, ...]:
        """The switch points of a strip that lie on the scale: one far beyond all rows would squeeze the rest."""
        return tuple(at for at in rows.switches if at <= self.high)

    def part(self, ms: float | None) -> float:
        """The length of a node's bar, from 0 to 1."""
        return 0.0 if ms is None or self.longest_ms <= 0 else min(1.0, max(0.0, ms / self.longest_ms))
