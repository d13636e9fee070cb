"""From bytes to text: byte order marks, UTF-16, and the refusal of what is no text."""

from __future__ import annotations

import codecs

from rowreckon.errors import BrokenPlan, NotAPlan

_MARKS: tuple[tuple[bytes, str], ...] = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    # Before UTF-16: the little-endian mark of UTF-32 begins with that of UTF-16.
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_SAMPLE = 400


def decode(data: bytes) -> str:
    """The text in `data`: UTF-8, or UTF-16 and UTF-32 with or without a byte order mark.

    Raises NotAPlan for binary data and BrokenPlan for text that is not in the encoding it seems to have.
    """
    encoding = _encoding(data)
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as fault:
        line = data.count(b"\n", 0, fault.start) + 1
        column = fault.start - (data.rfind(b"\n", 0, fault.start) + 1) + 1
        raise BrokenPlan(
            f"the text is not valid {encoding.upper().removesuffix('-SIG')}",
            where=f"line {line}, byte {column} of it",
            hint="save it as UTF-8",
        ) from None


def _encoding(data: bytes) -> str:
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return encoding
    sample = data[:_SAMPLE]
    if b"\0" not in sample and b"\0" not in data:
        return "utf-8"
    # Plans are nearly all ASCII, so in UTF-16 without a mark every second byte is zero.
    even, odd = sample[0::2], sample[1::2]
    if odd and odd.count(0) > 0.9 * len(odd) and even.count(0) == 0:
        return "utf-16-le"
    if even and even.count(0) > 0.9 * len(even) and odd.count(0) == 0:
        return "utf-16-be"
    raise NotAPlan("the input is binary data, not text", hint="give the output of EXPLAIN as text")
