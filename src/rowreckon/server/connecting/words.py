"""Whether a server's own messages may be repeated: they quote values of the data, in any form and any language.

One switch for the whole command, set before anything is sent: where a message enters the program, it is let in or not.
"""

from __future__ import annotations

MASKED_MESSAGE = "the server's message is masked"


class _Switch:
    masked = False


def mask_messages(masked: bool) -> None:
    """Whether messages are masked from here on."""
    _Switch.masked = masked


def message(text: str, sqlstate: str | None) -> str:
    """The message as it may be repeated; the SQLSTATE tells what kind of error it is."""
    if not _Switch.masked:
        return text
    return f"{MASKED_MESSAGE} (SQLSTATE {sqlstate})" if sqlstate else MASKED_MESSAGE
