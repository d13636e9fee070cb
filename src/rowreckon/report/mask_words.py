"""Masking of single strings of an audit: SQL, names, and sentences that name things."""

from __future__ import annotations

import hashlib
import hmac
import re
from dataclasses import dataclass, field

from rowreckon.sql.grammar import NotSql, Token, scan
from rowreckon.sql.masking import MASKED, UNREAD, masked_string
from rowreckon.sql.names import unquoted, with_names

MASK = MASKED
PSEUDONYM = re.compile(r"n_[0-9a-f]{10}")

# What stands before a number of our own in a remedy's statement: a statistics target, a number of rows, an option.
_OUR_NUMBERS = ("statistics", "rows", "cost")
_OUR_OPTIONS = ("n_distinct", "n_distinct_inherited", "autovacuum_analyze_scale_factor")
_KEPT_NAMES = frozenset({"public", "pg_catalog"})

# Two-letter words and units of which sentences are made: a table of such a name can't be told from the word there.
_WORDS = (
    "am",
    "an",
    "as",
    "at",
    "be",
    "by",
    "do",
    "go",
    "if",
    "in",
    "is",
    "it",
    "no",
    "of",
    "on",
    "or",
    "so",
    "to",
    "up",
)
_OF_SENTENCES = frozenset((*_WORDS, "us", "we", "kB", "MB", "GB", "TB", "ms"))


def mask_remedy(text: str, names: frozenset[str]) -> str:
    """A statement of a remedy without literals of the data: what the remedy itself sets stays, and so do `names` that
    are written as strings, such as in a query of the catalog."""
    try:
        tokens = scan(text)
    except NotSql:
        return UNREAD
    pieces: list[str] = []
    end = 0
    for number, token in enumerate(tokens):
        pieces.append(text[end : token.start])
        pieces.append(_masked_of_ours(tokens, number, names))
        end = token.end
    return "".join((*pieces, text[end:]))


def _masked_of_ours(tokens: tuple[Token, ...], number: int, names: frozenset[str]) -> str:
    token = tokens[number]
    if token.kind == "comment":
        return " "
    if token.kind == "string":
        return token.text if _is_named(token.text, names) else masked_string(token.text)
    return "0" if token.kind == "number" and not _is_our_number(tokens, number) else token.text


def _is_named(literal: str, names: frozenset[str]) -> bool:
    """Whether a string holds a known name, its parts in quotation marks or not."""
    return literal.startswith("'") and all(part.strip('"') in names for part in literal[1:-1].split("."))


def _is_our_number(tokens: tuple[Token, ...], number: int) -> bool:
    at = number - 1
    if at >= 0 and tokens[at].text == "-":
        at -= 1
    if at >= 1 and tokens[at].text == "=":
        return tokens[at - 1].says(*_OUR_OPTIONS)
    return at >= 0 and tokens[at].says(*_OUR_NUMBERS)


@dataclass
class NameMasker:
    """Puts pseudonyms for the known `names` into strings of one audit, the same for the same `key`."""

    key: bytes
    names: frozenset[str]
    undo: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        telling = frozenset(name for name in self.names if len(name) >= 2) - _OF_SENTENCES
        self._named = _alternation(telling)
        self._part = _alternation(telling, "_")

    def name(self, text: str) -> str:
        """A name's pseudonym; dotted names part by part."""
        if "." in text:
            return ".".join(self.name(part) for part in text.split("."))
        if not text or text in _KEPT_NAMES or PSEUDONYM.fullmatch(text):
            return text
        alias = "n_" + hmac.new(self.key, text.encode("utf-8", "surrogatepass"), hashlib.sha256).hexdigest()[:10]
        self.undo[alias] = text
        return alias

    def sql(self, text: str, *, ours: bool) -> str:
        """SQL with pseudonyms: in statements of ours for what is known or made of known names, in others' for every
        word that is nobody's but their author's."""

        def renamed(token: Token, authors: bool) -> str:
            if token.kind == "string":
                return self._in_string(token.text) if ours else token.text
            if token.kind not in ("word", "name"):
                return token.text
            name = unquoted(token.text)
            mine = authors and (not ours or token.kind == "name" or self._is_made_of_names(name))
            if not mine and name not in self.names:
                return token.text
            return f'"{self.name(name)}"' if token.kind == "name" else self.name(name)

        try:
            return with_names(text, renamed)
        except NotSql:
            return UNREAD

    def _in_string(self, literal: str) -> str:
        parts = [part.strip('"') for part in literal[1:-1].split(".")]
        known = literal.startswith("'") and any(len(part) > 1 and part in self.names for part in parts)
        return f"'{'.'.join(self.name(part) for part in parts)}'" if known else literal

    def _is_made_of_names(self, word: str) -> bool:
        """Whether a word is a known name or holds one between its underscores, as names of our own making do."""
        return word in self.names or (self._part is not None and self._part.search(word) is not None)

    def prose(self, text: str) -> str:
        """A sentence with pseudonyms for the names that it mentions."""
        return text if self._named is None else self._named.sub(lambda match: self.name(match.group()), text)


def _alternation(words: frozenset[str], joint: str = "") -> re.Pattern[str] | None:
    """A pattern that finds any of the words as a whole word, the longest first; `joint` characters part words too."""
    if not words:
        return None
    ordered = sorted(words, key=lambda word: (-len(word), word))
    within = f"[^\\W{joint}]" if joint else r"\w"
    return re.compile(f"(?<!{within})(?:" + "|".join(re.escape(word) for word in ordered) + f")(?!{within})")
