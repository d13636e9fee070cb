"""JSON that is written holds no character that acts on a terminal or turns the order of reading."""

from __future__ import annotations

import json
import sys
import unicodedata

from rowreckon.document.audit import Audit, Rejected, Summary
from rowreckon.json_text import escaped

# Names of the bidirectional classes: Unicode Standard Annex 9, table 4; marks: its section 2.
_TURNING = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
_MARKS = {"\u061c", "\u200e", "\u200f"}


def _acts(char: str) -> bool:
    return (
        unicodedata.category(char) in ("Cc", "Zl", "Zp")
        or unicodedata.bidirectional(char) in _TURNING
        or char in _MARKS
    )


def test_nothing_acts_and_nothing_is_lost() -> None:
    """Over all of Unicode, with Python's own reader and tables as the judges."""
    whole = "".join(map(chr, (*range(0xD800), *range(0xE000, sys.maxunicode + 1))))
    written = escaped(json.dumps({whole[:1000]: whole}, ensure_ascii=False))

    assert json.loads(written) == {whole[:1000]: whole}
    assert not [char for char in set(written) if _acts(char)]
    assert "ä" in written


def test_an_audit_is_written_so() -> None:
    """The document that `--format json` prints."""
    reason = "a\x1b[31m\x9b31m\u202ehuts\u2066\x7f"
    counts = {"plans": 0, "joins": 0, "crossed": 0, "held": 0, "undecided": 0, "accurate": 0, "misestimated_nodes": 0}
    audit = Audit(
        tool_version="1", rejected=(Rejected(source="-", reason=reason),), summary=Summary.model_validate(counts)
    )
    text = audit.to_json()

    assert json.loads(text)["rejected"][0]["reason"] == reason
    assert not [char for char in set(text) - {"\n"} if _acts(char)]
