"""The words of the command line before anything else looks at them: what must not be taken for a name, nor repeated.

A connection string may hold a password. Where one stands in place of a file it would otherwise be repeated, by the
sentence that there is no such file and by reports.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rowreckon.errors import UsageError

_SCHEMES = ("postgresql:", "postgres:")
_PARAMETERS = frozenset(
    ("host", "hostaddr", "port", "dbname", "user", "password", "passfile", "service", "sslmode", "sslpassword")
)
"""libpq's parameters that connection strings are made of, of which at least one stands in each."""
_MAY_BE_EMPTY = ("--dsn",)
"""Options for which an empty text says something: here, that libpq's own variables do."""


def check_words(words: Sequence[str]) -> None:
    """Raise UsageError for an empty word, and for a connection string that is not --dsn's; it is not repeated."""
    before = ""
    for number, word in enumerate(words, 1):
        known = before.partition("=")[0]
        place = f"word {number}, after {known}" if known.startswith("--") else f"word {number}"
        option, equals, value = word.partition("=") if word.startswith("--") else ("", "", word)
        if before not in _MAY_BE_EMPTY:
            if not word or (equals and not value and option not in _MAY_BE_EMPTY):
                raise UsageError("a word of the command line is empty", where=place, hint="name what is meant")
            if option not in _MAY_BE_EMPTY and _is_connection_string(value if equals else word):
                raise UsageError(
                    "a connection string stands where something else is expected",
                    where=place,
                    hint="give it with --dsn-file or --dsn, to a command that has them",
                )
        before = word


def _is_connection_string(word: str) -> bool:
    """Whether a text is one by its beginning; a file of that name is no connection string."""
    if word.lower().startswith(_SCHEMES):
        return True
    names = {part.partition("=")[0].lower() for part in word.split() if "=" in part}
    if names.isdisjoint(_PARAMETERS):
        return False
    try:
        return not Path(word).exists()
    except (OSError, ValueError):
        return True
