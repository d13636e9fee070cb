"""What came of judging a statement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

FLAG: Final = "--allow-volatile"
"""The flag that permits what may act outside a read-only transaction."""
_NAMED: Final = 3


@dataclass(frozen=True, slots=True, order=True)
class Concern:
    """Something that a statement may set off: what it is (`public.noted`), why that is more than reading, and the
    object through which it is reached (a view, a policy, …), where there is one."""

    what: str
    why: str
    through: str | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """A statement is harmless where it raises no concern.

    `named` are functions in a procedural language that are declared immutable or stable: they may run, on the word of
    their declaration, and are named before.
    """

    concerns: tuple[Concern, ...] = ()
    named: tuple[str, ...] = ()

    @property
    def harmless(self) -> bool:
        """Whether nothing speaks against running it."""
        return not self.concerns

    def reason(self) -> str:
        """Why it is refused, in one sentence; empty where it is not."""
        if not self.concerns:
            return ""
        first = self.concerns[0]
        alike = [c.what for c in self.concerns if c.why == first.why]
        shown = ", ".join(alike[:_NAMED]) + (f" and {len(alike) - _NAMED} more" if len(alike) > _NAMED else "")
        through = f" through {first.through}" if first.through else ""
        return f"it may call {shown}{through}, {first.why}" if first.what else f"{first.why}{through}"
