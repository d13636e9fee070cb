"""Text from a plan, made harmless: no string of a query, name or server message may act on what displays it.

Two steps. `quote` neutralises a text where a sentence is composed and sets it between first-strong isolates (U+2068,
U+2069), so that right-to-left names stay in their place and every renderer can tell foreign text from our own words.
Then each renderer turns such a sentence into its format: `plain`, `markdown`, and the HTML templates' own filter.
"""

from __future__ import annotations

import re
import unicodedata

FSI = "\u2068"
PDI = "\u2069"

# Zero-width joiner and non-joiner belong to the spelling of Persian, Indic and emoji texts.
_KEPT_FORMATS = frozenset("\u200c\u200d")
_HIDDEN_CATEGORIES = frozenset(("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))
_SHORT = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}
_RTL = frozenset(("R", "AL", "AN"))
_MARKS_IN_A_ROW = 4

_MARKDOWN_SPECIAL = re.compile(r"([\\`*_\[\]<>|~&$])")
_MARKDOWN_START = re.compile(r"^\s*(?:([-+#=])|(\d+)([.)]))")
# What a forge links by itself: addresses, mentions, issue numbers. A comment between the characters stops it.
_AUTOLINK = re.compile(r"(?i)(?<=www)(?=\.)|(?<=http)(?=s?:)|(?<=ftp)(?=:)|(?<=mailto)(?=:)|(?<=xmpp)(?=:)|(?<=@)")
_REFERENCE = re.compile(r"(?i)(#|gh-)(?=\d)")


def _visible(char: str) -> str:
    point = ord(char)
    return _SHORT.get(char) or (f"\\x{point:02x}" if point < 0x100 else f"\\u{{{point:x}}}")


def _is_plain(text: str) -> bool:
    return text.isascii() and text.isprintable()


def clean(text: str) -> str:
    """One line of `text`; control, bidirectional and other invisible characters are written out (`\\x1b`)."""
    if _is_plain(text):
        return text
    out: list[str] = []
    marks = 0
    for char in text:
        category = unicodedata.category(char)
        if category in ("Mn", "Me"):
            marks += 1
            # Marks piled up on one letter would paint over the lines above.
            out.append(char if marks <= _MARKS_IN_A_ROW else _visible(char))
            continue
        marks = 0
        out.append(_visible(char) if category in _HIDDEN_CATEGORIES and char not in _KEPT_FORMATS else char)
    return "".join(out)


def clean_lines(text: str) -> str:
    """Several lines (a query, SQL to run): line ends kept, tabs as four spaces, everything else as `clean`."""
    lines = text.replace("\r\n", "\n").split("\n")
    return "\n".join(clean(line.replace("\t", "    ")).rstrip() for line in lines).strip("\n")


def is_altered(text: str) -> bool:
    """Whether `clean_lines` had to write out characters, so that a copy of what is shown is not the original."""
    return any(
        unicodedata.category(char) in _HIDDEN_CATEGORIES and char not in _KEPT_FORMATS and char not in "\r\n\t"
        for char in text
    )


def shorten(text: str, limit: int = 240) -> str:
    """At most `limit` characters of `text`, and in words how many there were."""
    if len(text) <= limit:
        return text
    return f"{text[:limit].rstrip()}… ({len(text):,} characters)"


def quote(text: str, limit: int = 240) -> str:
    """A foreign text for use within a sentence: clean, shortened, between isolates."""
    return f"{FSI}{shorten(clean(text), limit)}{PDI}"


def segments(sentence: str) -> list[tuple[str, bool]]:
    """The sentence as (text, foreign) pieces, isolates taken off; foreign pieces are what `quote` put in."""
    pieces: list[tuple[str, bool]] = []
    for number, part in enumerate(sentence.split(FSI)):
        head, closed, tail = part.partition(PDI) if number else ("", "", part)
        if number:
            pieces.append((head, True))
        if tail and (closed or not number):
            pieces.append((tail.replace(PDI, ""), False))
    return [(text, foreign) for text, foreign in pieces if text]


def has_rtl(text: str) -> bool:
    """Whether right-to-left letters or digits occur in the text."""
    return not text.isascii() and any(unicodedata.bidirectional(char) in _RTL for char in text)


def bare(sentence: str) -> str:
    """The sentence without isolates, for places that count columns or hold plain strings."""
    return "".join(clean(text) for text, _ in segments(sentence))


def plain(sentence: str) -> str:
    """The sentence for a place that shows text as it is; isolates stay around right-to-left text only."""
    return "".join(
        f"{FSI}{clean(text)}{PDI}" if foreign and has_rtl(text) else clean(text) for text, foreign in segments(sentence)
    )


def _not_a_block(start: re.Match[str]) -> str:
    sign, figure, stop = start.groups()
    return f"\\{sign}" if sign else f"{figure}\\{stop}"


def markdown_prose(text: str) -> str:
    """Text that GitHub-flavoured Markdown shows as it is: no markup, link, mention, reference or HTML comes of it."""
    escaped = _MARKDOWN_SPECIAL.sub(r"\\\1", clean(text))
    escaped = _MARKDOWN_START.sub(_not_a_block, escaped)
    escaped = _REFERENCE.sub(r"\1<!-- -->", escaped)
    return _AUTOLINK.sub("<!-- -->", escaped)


def markdown_code(text: str, *, cell: bool = False) -> str:
    """A code span that survives backticks in the text; in a table `cell` it survives pipes too."""
    shown = clean(text)
    if not shown.strip() or (cell and "\\|" in shown):
        # A backslash before a pipe means different things to different table parsers within a code span.
        return markdown_prose(shown) or "(empty)"
    ticks = "`" * (max((len(run) for run in re.findall("`+", shown)), default=0) + 1)
    pad = " " if shown[0] in "` " or shown[-1] in "` " else ""
    body = shown.replace("|", "\\|") if cell else shown
    return f"{ticks}{pad}{body}{pad}{ticks}"


def markdown(sentence: str, *, cell: bool = False) -> str:
    """The sentence as Markdown: our own words escaped, foreign pieces as code spans."""
    return "".join(
        markdown_code(text, cell=cell) if foreign else markdown_prose(text) for text, foreign in segments(sentence)
    )


def markdown_fence(text: str, language: str = "") -> str:
    """A fenced block whose fence is longer than any run of backticks in the text."""
    longest = max((len(run) for run in re.findall("`+", text)), default=0)
    ticks = "`" * max(3, longest + 1)
    return f"{ticks}{language}\n{text}\n{ticks}"
