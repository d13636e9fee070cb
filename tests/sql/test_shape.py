"""The quick way of taking literals out of a text and PostgreSQL's scanner give the same."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from rowreckon.sql.shape import _PLAIN, _PLAIN_NAMED, _PRINTED, _PRINTED_NAMED, _quick, scanned

SAMPLES = Path(__file__).parents[2] / "sample_plans"

PIECES = st.sampled_from(
    [
        *("select", "a", "b.c", '"Hut 7"', '"a""b"', "E", "x", "N", "U&", "e1", "t1", "SubPlan", "InitPlan", "ü", "…"),
        *("'x'", "'it''s'", "'a ? b'", "'ü'", "''", "'\"'", "'", '"', "$1", "$$", "$a$", "\\", "?", "--", "/*", "*/"),
        *(
            "1",
            "12.5",
            ".5",
            "1.",
            "1e5",
            "1e-5",
            "0x1F",
            "1_000",
            "12a",
            "..",
            ".",
            "::",
            "integer",
            "(",
            ")",
            "[",
            "]",
        ),
        *(",", ";", "=", "<>", "-", "+", "*", "/", "&", "|", "~", "!", "@", "#", ":", "\0", "\ud800"),
        *(" ", " ", " ", "\n", "\t"),
    ]
)
TEXTS = st.one_of(st.lists(PIECES, max_size=14).map("".join), st.text(alphabet="ab1E'\" .,:$-/*\\?(_\nü", max_size=24))


@given(TEXTS)
@settings(max_examples=500, deadline=None)
def test_the_quick_way_gives_what_the_scanner_gives(text: str) -> None:
    """On every text that it takes."""
    statement, condition = _quick(text, _PLAIN, _PLAIN_NAMED), _quick(text, _PRINTED, _PRINTED_NAMED)

    assert statement is None or statement == scanned(text), text
    assert condition is None or condition == scanned(text, printed=True), text


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for item in value.values():
            yield from _texts(item)
    elif isinstance(value, list):
        for item in value:
            yield from _texts(item)
    elif isinstance(value, str):
        yield value


def test_most_of_what_servers_print_goes_the_quick_way() -> None:
    """On the sample plans' texts both ways agree, and all go the quick one but those that name a subplan."""
    texts = {text for path in SAMPLES.glob("*.json") for text in _texts(json.loads(path.read_text())) if " " in text}
    quick = {text: bare for text in texts if (bare := _quick(text, _PRINTED, _PRINTED_NAMED)) is not None}

    assert len(quick) > 50
    assert all("Plan" in text for text in texts - set(quick))
    for text, bare in quick.items():
        assert bare == scanned(text, printed=True)
