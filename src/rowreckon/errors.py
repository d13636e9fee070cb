"""What can go wrong, as one small tree.

RowreckonError                 anything this package raises on purpose; never raised itself
├── InputError                 the input's fault: fix what was given
│   ├── NotAPlan               the text holds no EXPLAIN output that could be recognised
│   ├── BrokenPlan             a plan was recognised, but part of it is malformed
│   ├── InputTooLarge          over a limit on nesting, size or time that an option can raise
│   └── UnreadableFile         the path does not exist, is no file, or may not be read
├── UsageError                 the command's words contradict each other or name nothing
└── ServerError                the database's side
    ├── CannotConnect          no connection could be made, or it was lost
    ├── CannotStart            the embedded server did not start
    ├── StatementRefused       running the statement would not be safe without an explicit flag
    └── StatementFailed        the server answered a statement with an error

Each message is one sentence that says what, where and what to do; `where` and `hint` carry the last two on
their own for machine-readable output. Every leaf ends the command with status 2.
"""

from __future__ import annotations

from typing import Final

LONGEST_PART: Final = 800
"""Characters of each of a message's parts: a name from a file can be of any length, and would bury the rest."""


def fitted(text: str) -> str:
    """The text, or where it is longer than a part may be, its beginning and its end around what was left out."""
    if len(text) <= LONGEST_PART:
        return text
    end = LONGEST_PART // 2
    left_out = f" … ({len(text):,} characters) … "
    return f"{text[: LONGEST_PART - end - len(left_out)]}{left_out}{text[-end:]}"


class RowreckonError(Exception):
    """Base of all errors raised on purpose.

    `what` is one clause without a full stop, `where` a place in the input ("line 3", "Plan > Plans[1]") or
    None, `hint` what the person can do about it, or None.
    """

    def __init__(self, what: str, *, where: str | None = None, hint: str | None = None) -> None:
        if type(self) is RowreckonError:
            raise TypeError("raise one of the leaves of RowreckonError, not the base itself")
        self.what = fitted(what)
        self.where = None if where is None else fitted(where)
        self.hint = None if hint is None else fitted(hint)
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """The whole message as one line: what, at where; hint."""
        place = f" at {self.where}" if self.where else ""
        advice = f"; {self.hint}" if self.hint else ""
        return f"{self.what}{place}{advice}"


class InputError(RowreckonError):
    """The input is at fault."""


class NotAPlan(InputError):
    """No EXPLAIN output was recognised in the text."""


class BrokenPlan(InputError):
    """A plan was recognised, but part of it is malformed."""


class InputTooLarge(InputError):
    """The input is over a limit on nesting, size or time."""


class UnreadableFile(InputError):
    """The path does not exist, is no file, or may not be read."""


class UsageError(RowreckonError):
    """The command line or the call contradicts itself or names something that is not there."""


class ServerError(RowreckonError):
    """The database's side is at fault; `sqlstate` is the server's five-character code, where it gave one."""

    def __init__(
        self, what: str, *, where: str | None = None, hint: str | None = None, sqlstate: str | None = None
    ) -> None:
        self.sqlstate = sqlstate
        super().__init__(what, where=where, hint=hint)


class CannotConnect(ServerError):
    """No connection could be made, or it was lost."""


class CannotStart(ServerError):
    """The embedded server did not start."""


class StatementRefused(ServerError):
    """The statement was not run, because it would need an explicit permission."""


class StatementFailed(ServerError):
    """The server answered a statement with an error."""
