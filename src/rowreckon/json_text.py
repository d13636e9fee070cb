"""JSON as it is written anywhere: characters that act on what displays them stand in it as escapes.

A terminal obeys control characters, the bidirectional marks turn the order of what is read; JSON knows an escape for
each character, so that nothing is lost by it.
"""

from __future__ import annotations

import re

# DEL and C1 (C0 is escaped by every writer of JSON), soft hyphen, marks without width, line and paragraph separators,
# bidirectional marks, embeddings, overrides and isolates, and the tag characters; categories of the Unicode standard.
_ACTING = re.compile(
    "[\x7f-\x9f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff"
    "\U000e0000-\U000e007f]"
)


def escaped(text: str) -> str:
    """The same JSON document with such characters as escapes. They can stand only within its strings."""
    if text.isascii() and "\x7f" not in text:
        return text
    return _ACTING.sub(lambda match: _escape(ord(match.group())), text)


def _escape(point: int) -> str:
    if point < 0x10000:
        return f"\\u{point:04x}"
    high, low = divmod(point - 0x10000, 0x400)
    return f"\\u{0xD800 + high:04x}\\u{0xDC00 + low:04x}"
