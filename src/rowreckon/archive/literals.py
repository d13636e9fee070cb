"""Queries and conditions without their literals: what two executions of the same statement have in common."""

from __future__ import annotations

import re

# Every alternative that can stay open runs to the end of the text then, so that no text costs more than its length.
# All begin with a character of their own, and what may not stand before it is looked at behind it: that is quicker.
_TEXT = r"'[^']*(?:'|\Z)(?:'[^']*(?:'|\Z))*"
_NUMBER = r"[0-9](?<![\w$\"][0-9])[\w.]*(?:(?<=[eE])[-+][0-9]+)?"
_PLAIN = re.compile(f"{_TEXT}|{_NUMBER}")
# As EXPLAIN prints it, "SubPlan 1" is a name and no literal.
_PRINTED = re.compile(_TEXT + "|" + _NUMBER.replace("[0-9]", "[0-9](?<!Plan [0-9])", 1))
_PIECES = re.compile(
    rf"""(?P<kept>"[^"]*(?:"|\Z))
    |(?P<comment>--[^\n]*|/\*.*?(?:\*/|\Z))
    |(?P<escaped>\b[eE]'(?:[^'\\]|\\.|'')*(?:'|\Z))
    |(?P<literal>{_TEXT}
        |\$(?P<tag>[A-Za-z_]\w{{0,63}})?\$(?:.*?\$(?(tag)(?P=tag))\$|.*\Z)
        |\$[0-9]+\b
        |{_NUMBER})""",
    re.VERBOSE | re.DOTALL,
)
_CAST = re.compile(
    r"""\?::(?:time(?:stamp)?(?:\(\?\))?[ ]with(?:out)?[ ]time[ ]zone|double[ ]precision|(?:character|bit)[ ]varying
        |[a-z_][\w.]*|"[^"]*")(?:\(\?(?:,\?)?\))?(?:\[\])?""",
    re.VERBOSE | re.IGNORECASE,
)
_LIST = re.compile(r"\?(?:\s*,\s*\?)+")
_MOST_KEPT = 20_000
_LONGEST = 200_000


def without_literals(text: str) -> str:
    """The text with every literal and parameter as `?`, comments left out, lists of literals as one `?`.

    A cast of a literal goes with it: EXPLAIN prints a negative number as a text with a cast.
    """
    text = text[:_LONGEST]
    if '"' in text or "$" in text or "\\" in text or "--" in text or "/*" in text:
        bare = _PIECES.sub(_replacement, text)
    else:
        bare = _PLAIN.sub("?", text)
    if "?::" in bare:
        bare = _CAST.sub("?", bare)
    return _LIST.sub("?", bare) if "," in bare else bare


def condition_without_literals(text: str) -> str:
    """A condition as EXPLAIN prints it, with every literal as `?`."""
    bare = _PRINTED.sub("?", text)
    if "?::" in bare:
        bare = _CAST.sub("?", bare)
    return _LIST.sub("?", bare) if "?, ?" in bare else bare


def normalised(query: str) -> str:
    """A query's text without literals, comments, and differences of blanks and letter case."""
    return " ".join(without_literals(query).split()).lower().rstrip("; ")


def _replacement(match: re.Match[str]) -> str:
    kind = match.lastgroup
    if kind == "kept":
        return match.group()
    if kind == "comment":
        return " "
    return f"{match.group()[0]}?" if kind == "escaped" else "?"


class Remembered:
    """A function of a text with the results of the last texts: the same conditions come again and again."""

    def __init__(self) -> None:
        self.known: dict[str, str] = {}

    def __call__(self, text: str) -> str:
        """The condition without its literals."""
        found = self.known.get(text)
        if found is None:
            found = condition_without_literals(text)
            if len(self.known) >= _MOST_KEPT:
                self.known.clear()
            self.known[text] = found
        return found
