"""Masking a plan by its keys: what a key holds decides what stays, and what nobody knows is left out."""

from __future__ import annotations

from typing import Any

import pytest

from rowreckon.captures.masked_words import masked_reason, masked_sentence, masked_setting
from rowreckon.captures.masking import mask_explain
from rowreckon.plan.document import parse_document

NODE: dict[str, Any] = {
    "Node Type": "Seq Scan", "Relation Name": "huts", "Startup Cost": 0.5, "Total Cost": 17.25, "Plan Rows": 12,
    "Plan Width": 8,
}  # fmt: skip


def _masked(**keys: Any) -> dict[str, Any]:
    explain = mask_explain(parse_document({"Plan": {**NODE, **keys}}))
    plan: dict[str, Any] = explain.to_explain()["Plan"]
    return plan


def test_known_numbers_and_names_stay() -> None:
    """The audit rests on them."""
    assert _masked() == NODE


@pytest.mark.parametrize(
    ("value", "left"),
    [("cat word", "…"), (5, 0), ([["word", 5]], [["…", 0]]), ({"a": {"b": "word"}}, {"a": {"b": "…"}}), (True, True)],
)
def test_what_stands_under_an_unknown_key_is_left_out(value: Any, left: Any) -> None:
    """Texts and numbers of wrappers and releases that nobody here knows."""
    assert _masked(**{"Foreign Program": value})["Foreign Program"] == left


def test_deep_nesting_is_left_out() -> None:
    """As deep as a reader lets it through."""
    deep: Any = "word"
    for _ in range(900):
        deep = [deep]

    left = repr(_masked(Huts=deep)["Huts"])
    assert "word" not in left
    assert left.strip("[]") in ("'…'", "…")


def test_a_servers_own_words_are_left_out() -> None:
    """They may hold a value in any form; the SQLSTATE stays, and so does what we say ourselves."""
    assert masked_reason("word", outcome="failed", sqlstate="22P02") == "the server's message is masked"
    assert masked_reason("word (SQLSTATE 22P02)", outcome="ran", sqlstate=None) == (
        "the server's message is masked (SQLSTATE 22P02)"
    )
    assert masked_sentence("no facts: word") == "no facts: …"
    assert masked_reason("a lock was not free", outcome="timed_out", sqlstate="55P03") == "a lock was not free"


def test_only_settings_of_the_planner_keep_their_values() -> None:
    """Any other may hold anything."""
    assert masked_setting("work_mem", "4MB") == "4MB"
    assert masked_setting("enable_hashjoin", "off") == "off"
    assert masked_setting("application_name", "word") == "***"
    assert masked_setting("enable_huts.token", "word") == "***"
