"""Masking of single strings: SQL by its tokens, sentences by their quotation marks and by literals seen elsewhere."""

from __future__ import annotations

import hashlib
import hmac
import re
from dataclasses import dataclass, field
from functools import lru_cache

from rowreckon.catalog.masking import mask_sql

MASK = "***"
PSEUDONYM = re.compile(r"n_[0-9a-f]{10}")

_SINGLE = re.compile(r"'(?:[^']|'')*'")
_DOUBLE = re.compile(r'"((?:[^"]|"")*)"')
_DOLLAR = re.compile(r"\$(\w*)\$.*?\$\1\$", re.DOTALL)
_OPERAND = re.compile(r"((?:[<>=~]|\bIN \(|\bBETWEEN|\bLIKE)\s*)-?\d[\d_.]*", re.IGNORECASE)
_LITERALS = re.compile(r"'((?:[^']|'')*)'|(?<![\w$.])(\d[\d_]*(?:\.\d+)?)(?![\w.])|\$(\w*)\$(.*?)\$\3\$", re.DOTALL)
_IDENTIFIER = re.compile(r"'[^']*'|\"((?:[^\"]|\"\")*)\"|(?<![\w$])([^\W\d][\w$]*)")
_KEPT_OF_OURS = re.compile(
    r"(?:SET\s+STATISTICS|n_distinct\w*\s*=|\bROWS|\bCOST|_factor\s*=|_threshold\s*=)\s*-?[\d.]+"
    r"|\bORDER BY \d+(?:, \d+)*|\brelkind IN \([^)]*\)",
    re.I,
)
# A letter of a script long dead, so that the tokens take a shielded place for a word.
_SHIELD = "\U00010900"
_REGCLASS = re.compile(r"'([^']*)'(\s*::\s*reg\w+)", re.IGNORECASE)

# PostgreSQL's own words that are no keyword of the tokenizer: kept when names are masked.
_OWN_WORDS = """
    abbrev analyze autovacuum_analyze_scale_factor autovacuum_analyze_threshold avg brin btree buffers concurrently
    count current_schema date_trunc dependencies explain format generate_series gin gist hash hashed include initplan
    json lower max mcv min n_distinct n_distinct_inherited ndistinct now oid pg_catalog public reindex regclass
    regtype reset rows settings spgist statistics stxname stxrelid subplan sum timing to_char tuple upper verbose
    yes no on off true false null excluded new old ctid tableoid xmin
"""


@lru_cache(maxsize=1)
def _known_words() -> frozenset[str]:
    """Keywords, types and functions of the SQL dialect, in lower case."""
    from sqlglot.dialects.postgres import Postgres
    from sqlglot.parser import Parser

    words = {word.lower() for keyword in Postgres.Tokenizer.KEYWORDS for word in keyword.split()}
    return frozenset(words | {name.lower() for name in Parser.FUNCTIONS} | set(_OWN_WORDS.split()))


def literals_of(sql: str) -> set[str]:
    """The literals' values in an SQL text, those long enough to be recognised elsewhere (numbers from 4 digits on)."""
    found: set[str] = set()
    for single, number, _, dollar in _LITERALS.findall(sql):
        for text in (single, dollar):
            inner = text.strip("{}").replace("''", "'")
            found |= {part.strip().strip('"%') for part in (inner, *inner.split(","))}
        if len(number.replace(".", "")) >= 4:
            found.add(number)
    return {text for text in found if len(text) >= 3}


@dataclass
class WordMasker:
    """Masks strings of one audit; `names` are the known names, `literals` the literals seen in its SQL."""

    key: bytes
    with_names: bool
    names: frozenset[str]
    literals: frozenset[str]
    undo: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._seen = _alternation(self.literals)
        long = frozenset(n for n in self.names if len(n) >= 3) if self.with_names else frozenset()
        self._named = _alternation(long)
        self._part = _alternation(long, "_")

    def name(self, text: str) -> str:
        """A name, or its pseudonym: the same key gives the same pseudonym. Dotted names part by part."""
        if not self.with_names or not text:
            return text
        if "." in text:
            return ".".join(self.name(part) for part in text.split("."))
        if text in ("public", "pg_catalog") or PSEUDONYM.fullmatch(text):
            return text
        alias = "n_" + hmac.new(self.key, text.encode("utf-8", "surrogatepass"), hashlib.sha256).hexdigest()[:10]
        self.undo[alias] = text
        return alias

    def sql(self, text: str, *, ours: bool = False) -> str:
        """SQL, or a condition as EXPLAIN prints it: literals masked, comments gone, names too if wanted. In a remedy's
        own statements (`ours`) statistics targets and the like stay, and names given as `'…'::regclass`."""
        masked = _mask_ours(text, self.names) if ours else mask_sql(text)
        return self._sql_names(masked, ours=ours) if self.with_names else masked

    def _sql_names(self, text: str, *, ours: bool) -> str:
        """Names in SQL: in ours what is known or made of known names, in others' every word that is no keyword."""
        known = _known_words()

        def replace(match: re.Match[str]) -> str:
            whole, quoted, word = match.group(), match.group(1), match.group(2)
            if quoted is not None:
                return '"' + self.name(quoted.replace('""', '"')).replace('"', '""') + '"'
            if word is None:
                parts = [part.strip('"') for part in whole[1:-1].split(".")]
                named = not ours or any(len(part) > 1 and part in self.names for part in parts)
                return f"'{'.'.join(self.name(part) for part in parts)}'" if named and MASK not in whole else whole
            mine = word in self.names or (word.lower() not in known and (not ours or self._is_made_of_names(word)))
            return self.name(word) if mine else str(word)

        return _IDENTIFIER.sub(replace, text)

    def _is_made_of_names(self, word: str) -> bool:
        """Whether a word holds a known name between its underscores, as names of our own making do."""
        return self._part is not None and self._part.search(word) is not None

    def prose(self, text: str) -> str:
        """A sentence: quoted values, operands and every literal seen in the audit's SQL are masked."""
        text = _DOLLAR.sub(MASK, text)
        text = _SINGLE.sub(f"'{MASK}'", text)
        text = _DOUBLE.sub(lambda m: m.group() if m.group(1) in self.names else f'"{MASK}"', text)
        text = _OPERAND.sub(rf"\g<1>{MASK}", text)
        if self._seen is not None:
            text = self._seen.sub(MASK, text)
        if self._named is not None:
            text = self._named.sub(lambda m: self.name(m.group()), text)
        return text

    def value(self, text: str) -> str:
        """A value of evidence: names and moments stay, anything else may be sampled data."""
        if text in self.names:
            return self.name(text)
        return text if re.fullmatch(r"\d{4}-\d\d-\d\d[ T][\d:.+Z-]*|never|yes|no|true|false", text) else MASK


def _mask_ours(text: str, names: frozenset[str]) -> str:
    """A statement of our own with its literals masked, but not its targets, positions, and names given as strings."""
    kept: list[str] = []

    def keep(match: re.Match[str]) -> str:
        kept.append(match.group())
        return f"{_SHIELD}{len(kept) - 1}{_SHIELD}"

    def keep_name(match: re.Match[str]) -> str:
        return keep(match) if match.group()[1:-1] in names else match.group()

    # A shield within a string or a comment goes with it; one that stands free comes back as it was.
    shielded = _KEPT_OF_OURS.sub(keep, text.replace(_SHIELD, "?"))
    shielded = _SINGLE.sub(keep_name, _REGCLASS.sub(keep, shielded))
    back = re.compile(f"{_SHIELD}(\\d+){_SHIELD}")
    return back.sub(lambda match: kept[int(match.group(1))], mask_sql(shielded))


def identifiers_of(sql: str) -> set[str]:
    """The names in an SQL text: quoted ones, and words that the dialect does not know."""
    known = _known_words()
    found: set[str] = set()
    for quoted, word in _IDENTIFIER.findall(sql):
        if quoted:
            found.add(quoted.replace('""', '"'))
        elif word and word.lower() not in known:
            found.add(word)
    return found


def _alternation(words: frozenset[str], joint: str = "") -> re.Pattern[str] | None:
    """A pattern that finds any of the words as a whole word, the longest first; `joint` characters part words too."""
    if not words:
        return None
    ordered = sorted(words, key=lambda word: (-len(word), word))
    within = f"[^\\W{joint}]" if joint else r"\w"
    return re.compile(f"(?<!{within})(?:" + "|".join(re.escape(word) for word in ordered) + f")(?!{within})")
