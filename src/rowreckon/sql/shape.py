"""A text without its literals: what two executions of one statement, or two prints of one condition, have in common.

Logs hold millions of texts, and PostgreSQL's scanner takes a fifth of a millisecond for one. So most are read by one
pattern that knows only plain strings, names in quotation marks and decimal numbers, and passes on any text in which
something could be anything else. Tests hold both ways to the same results.
"""

from __future__ import annotations

import re
from typing import Final

_LONGEST: Final = 200_000

# Read as they stand only in texts without any of `_ELSE`; what is left of a text must not hold `_UNSURE`.
_LITERAL: Final = r"'[^']*'(?:'[^']*')*|(?<![\w.$])[0-9]+(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?"
_NAME: Final = r"\"[^\"]+\""
_PRINTED: Final = re.compile(_LITERAL)
_PLAIN: Final = re.compile(rf"{_LITERAL}|\$[0-9]+")
_PRINTED_NAMED: Final = re.compile(rf"{_PRINTED.pattern}|{_NAME}")
_PLAIN_NAMED: Final = re.compile(rf"{_PLAIN.pattern}|{_NAME}")
_NAMES: Final = re.compile(_NAME)
# Signs that begin what the pattern does not know; where there is a `$`, all but a parameter standing alone.
_ELSE: Final = ("\\", "?", "\0", "--", "/*", "*/", '""', "Plan")
_DOLLAR: Final = re.compile(r"\$(?![0-9])|[\w$]\$|\$[0-9]+[\w$.'\"]")
_SURROGATE: Final = re.compile("[\ud800-\udfff]")
# A literal that touches a word, or strings on lines of their own, which are one. It begins with a sign of its own and
# looks behind itself, which is several times as quick.
_TOUCHING: Final = re.compile(r"\?(?:(?<=[\w.$&]\?)|[\w.&]|\s*\n\s*\?)")
_POINT: Final = re.compile(r"\.[0-9]")

_CAST: Final = re.compile(
    r"""\?::(?:time(?:stamp)?(?:\(\?\))?[ ]with(?:out)?[ ]time[ ]zone|double[ ]precision|(?:character|bit)[ ]varying
        |[a-z_][\w.]*|"[^"]*")(?:\(\?(?:,\?)?\))?(?:\[\])?""",
    re.VERBOSE | re.IGNORECASE,
)
_LIST: Final = re.compile(r"\?(?:\s*,\s*\?)+")


def statement_shape(text: str) -> str:
    """A statement with every literal and parameter as `?`, comments left out, lists of literals as one `?`.

    A cast of a literal goes with it: EXPLAIN prints a negative number as a text with a cast. What can't be read, as at
    the end of a text that was cut short, is a `?` as well.
    """
    text = text[:_LONGEST]
    bare = _quick(text, _PLAIN, _PLAIN_NAMED)
    return _joined(scanned(text) if bare is None else bare)


def condition_shape(text: str) -> str:
    """A condition as EXPLAIN prints it, with every literal as `?`; numbers of its subplans and parameters stay."""
    text = text[:_LONGEST]
    bare = _quick(text, _PRINTED, _PRINTED_NAMED)
    return _joined(scanned(text, printed=True) if bare is None else bare)


def _quick(text: str, plain: re.Pattern[str], named: re.Pattern[str]) -> str | None:
    """The text with its literals as `?`, None where something in it could be anything else than it looks."""
    for sign in _ELSE:
        if sign in text:
            return None
    if "$" in text and _DOLLAR.search(text) is not None:
        return None
    if '"' in text:
        bare = named.sub(lambda match: match.group() if match.group().startswith('"') else "?", text)
        outside = _NAMES.sub("n", bare)
    else:
        bare = outside = plain.sub("?", text)
    if "'" in outside or '"' in outside or not outside.isascii() or _POINT.search(outside) is not None:
        return None
    if "?" in outside and _TOUCHING.search(outside) is not None:
        return None
    return bare if text.isascii() or _SURROGATE.search(text) is None else None


def _joined(bare: str) -> str:
    """Without the casts of literals, and with each list of them as one."""
    if "?::" in bare:
        bare = _CAST.sub("?", bare)
    return _LIST.sub("?", bare) if "," in bare else bare


def scanned(text: str, *, printed: bool = False) -> str:
    """The text with its literals as `?`, as PostgreSQL's scanner tells them."""
    from rowreckon.sql.grammar import NotSql, scan

    rest = ""
    try:
        tokens = scan(text)
    except NotSql as error:
        rest = "?"
        try:
            tokens = scan(text[: error.at or 0])
        except NotSql:
            return rest
    pieces: list[str] = []
    end = 0
    for number, token in enumerate(tokens):
        pieces.append(text[end : token.start])
        end = token.end
        if token.kind == "comment":
            pieces.append(" ")
        elif token.kind in ("string", "number") or (token.kind == "parameter" and not printed):
            named = printed and number and token.kind == "number" and tokens[number - 1].text in ("SubPlan", "InitPlan")
            pieces.append(token.text if named else "?")
        else:
            pieces.append(token.text)
    return "".join((*pieces, rest or text[end:]))
