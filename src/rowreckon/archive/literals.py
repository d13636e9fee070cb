"""Queries and conditions without their literals, remembered: the same texts come again and again."""

from __future__ import annotations

from rowreckon.sql.shape import condition_shape, statement_shape

_MOST_KEPT = 20_000


def normalised(query: str) -> str:
    """A query's text without literals, comments, and differences of blanks and letter case."""
    return " ".join(statement_shape(query).split()).lower().rstrip("; ")


class Remembered:
    """A function of a text with the results of the last texts: the same conditions come again and again."""

    def __init__(self) -> None:
        self.known: dict[str, str] = {}

    def __call__(self, text: str) -> str:
        """The condition without its literals."""
        found = self.known.get(text)
        if found is None:
            found = condition_shape(text)
            if len(self.known) >= _MOST_KEPT:
                self.known.clear()
            self.known[text] = found
        return found
