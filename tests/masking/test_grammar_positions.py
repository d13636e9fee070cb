"""No literal is left of a statement, wherever the grammar has one and however it is written."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from rowreckon.sql.grammar import parse, scan
from rowreckon.sql.masking import UNREAD, mask_statement

from . import positions
from .positions import CANARY, NEVER_PARSED, SECRETS


def _leaks(text: str, secrets: Iterable[str] = SECRETS) -> bool:
    masked = mask_statement(text)
    return any(secret in masked for secret in secrets)


def test_the_seeds_hold_every_message_of_the_grammar() -> None:
    """All messages that the raw parser makes are in them: what the grammar can hold is tried."""
    assert positions.unseen_messages() == NEVER_PARSED


def test_a_constant_in_every_field_of_every_message() -> None:
    """Whatever the grammar's printer prints with a constant in it is masked, and still SQL."""
    places = positions.planted()
    assert len(places) >= 80
    assert [place.text for place in places if _leaks(place.text)] == []
    assert [place.text for place in places if UNREAD in mask_statement(place.text)] == []


@pytest.mark.parametrize("part", range(4))
def test_every_spelling_of_every_literal(part: int) -> None:
    """Strings, numbers, bits, intervals, arrays and JSON in each way in which they can be written.

    Numbers between the brackets of a type belong to it (`numeric(10, 2)`), and stay.
    """
    tried, leaks = 0, []
    for seed in positions.seeds()[part::4]:
        for text in positions.spelled(seed):
            tried += 1
            if _leaks(text) and not _only_in_types(text):
                leaks.append(text)
    assert leaks == []
    assert tried >= 400


def test_comments_wherever_they_may_stand() -> None:
    """Nested comments and those to the end of a line, between any two words of every statement."""
    texts = [positions.commented(seed) for seed in positions.seeds()]
    assert [text for text in texts if _leaks(text)] == []


def test_statements_that_are_cut_short() -> None:
    """Servers cut long queries (track_activity_query_size): no beginning of a literal is left either."""
    leaks = []
    for seed in positions.seeds():
        text = positions.all_canaries(seed)
        for end in range(1, len(text), 5):
            if _leaks(text[:end], (CANARY[:4],)):
                leaks.append(text[:end])
    assert leaks == []


def test_what_is_masked_still_tells_the_statement() -> None:
    """The names and the order of words stay, so that a reader knows the query again; masking twice changes nothing."""
    for seed in positions.seeds():
        masked = mask_statement(seed)
        assert mask_statement(masked) == masked
        parse(masked)
        assert _names(masked) == _names(seed), (seed, masked)


def _names(text: str) -> list[str]:
    kept = [token for token in scan(text) if token.kind in ("name", "parameter") or token.keyword]
    return [token.text for token in kept if not token.says("uescape")]  # which goes with its string


def _only_in_types(text: str) -> bool:
    """Whether the number is a type's modifier: where the type goes, so does it."""
    tree = parse(text)
    for message in positions.messages(tree):
        if message.DESCRIPTOR.name == "TypeName":
            del message.typmods[:]
    return not any(secret in str(tree) for secret in SECRETS)
