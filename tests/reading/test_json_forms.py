"""JSON as people paste it: each wrapping is taken off and the document inside comes out as it went in.

The document was captured from PostgreSQL 18 by `psql -At` over two tables of huts and bookings.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from rowreckon.errors import BrokenPlan, InputTooLarge, NotAPlan
from rowreckon.reading import Limits, RawPlan, Rejected, read_plans

CAPTURED = (Path(__file__).parent / "data" / "hut_bookings_18.json").read_text()
DOCUMENT: dict[str, Any] = json.loads(CAPTURED)[0]
ONE_LINE = json.dumps([DOCUMENT])


def aligned(text: str) -> str:
    """Lines as psql 18 prints them aligned, with its marks for values of several lines."""
    lines = text.rstrip("\n").split("\n")
    width = max(map(len, lines))
    body = [f" {line:<{width}}+" for line in lines[:-1]] + [f" {lines[-1]}"]
    return "\n".join([f"{'QUERY PLAN':^{width + 2}}", "-" * (width + 2), *body, "(1 row)", "", "Time: 12.345 ms", ""])


FORMS: dict[str, str | bytes] = {
    "array": CAPTURED,
    "object": json.dumps(DOCUMENT),
    "one line": ONE_LINE,
    "windows line ends": CAPTURED.replace("\n", "\r\n"),
    "byte order mark": b"\xef\xbb\xbf" + CAPTURED.encode(),
    "mark in text": "\ufeff" + CAPTURED,
    "utf-16": CAPTURED.encode("utf-16"),
    "utf-16-le without mark": CAPTURED.encode("utf-16-le"),
    "utf-16-be without mark": CAPTURED.encode("utf-16-be"),
    "utf-32": CAPTURED.encode("utf-32"),
    "psql aligned": aligned(CAPTURED),
    "psql aligned, one line": f" QUERY PLAN \n-----\n {ONE_LINE}\n(1 row)\n",
    "code fence": f"The slow one:\n\n```json\n{CAPTURED}```\n\nAny idea?\n",
    "code fence, aligned": f"~~~\n{aligned(CAPTURED)}~~~\n",
    "indented": "".join(f"    {line}\n" for line in CAPTURED.splitlines()),
    "quoted": "".join(f"> {line}\n" for line in CAPTURED.splitlines()),
    "quoted twice, aligned": "".join(f"> > {line}\n" for line in aligned(CAPTURED).splitlines()),
    "sql comment": "".join(f"-- {line}\n" for line in CAPTURED.splitlines()),
    "no-break spaces": CAPTURED.replace("  ", "\u00a0 "),
    "curly quotes": re.sub('"([^"]*)"', "“\\1”", CAPTURED),
    "terminal colours": CAPTURED.replace('"Plan"', '\x1b[1;32m"Plan"\x1b[0m'),
    "html": CAPTURED.replace('"', "&quot;").replace("<", "&lt;").replace(">", "&gt;"),
    "string": json.dumps(CAPTURED),
    "string in a string": json.dumps(json.dumps(DOCUMENT)),
    "string within prose": f"plan = {json.dumps(CAPTURED)};\n",
    "rows": json.dumps([[[DOCUMENT]]]),
    "rows of strings": json.dumps([[CAPTURED]]),
    "rows by name": json.dumps([{"QUERY PLAN": [DOCUMENT]}]),
    "rows by name, as text": json.dumps([{"QUERY PLAN": CAPTURED}]),
    "result object": json.dumps({"command": "EXPLAIN", "rowCount": None, "rows": [{"QUERY PLAN": [DOCUMENT]}]}),
    "python rows": repr([([DOCUMENT],)]),
    "python row": repr(([DOCUMENT],)),
    "python rows by name": repr([{"QUERY PLAN": [DOCUMENT]}]),
    "csv": 'QUERY PLAN\n"' + CAPTURED.rstrip("\n").replace('"', '""') + '"\n',
    "prose around": f"Here it is: {ONE_LINE} and that is [all] there {{is}}.",
    "cut lines": CAPTURED.replace("(b.guest ~~", "(b.guest\n   ~~"),
}


@pytest.mark.parametrize("form", FORMS)
def test_every_wrapping_comes_off(form: str) -> None:
    """One plan comes out, equal to the document that went in."""
    found = read_plans(FORMS[form])
    assert [each.document for each in found if isinstance(each, RawPlan)] == [DOCUMENT]
    assert len(found) == 1


def test_the_place_is_the_line_of_the_input() -> None:
    """`where` counts lines of the input, not of what is left without wrappings."""
    text = f"one\n> two\n> three\n\n{aligned(CAPTURED)}\n\n{CAPTURED}"
    lines = text.split("\n")
    expected = [f"line {i}" for i, line in enumerate(lines, 1) if line.strip().removesuffix("+").strip() == "["]
    assert [each.where for each in read_plans(text)] == expected


def test_several_plans_keep_their_order() -> None:
    """Plans of one text come in the order of the input, whatever their wrapping."""
    documents = [{"Plan": {"Node Type": "Result", "Total Cost": cost}} for cost in (0.5, 1.5, 2.5)]
    assert [each.document for each in plans(json.dumps(documents))] == documents
    text = "\n".join(["first", json.dumps(documents[0]), aligned(json.dumps(documents[1], indent=2)), "third:"])
    text += json.dumps(documents[2:])
    assert [each.document for each in plans(text)] == documents


def test_a_bare_node_is_taken_and_said() -> None:
    """A plan node without its envelope becomes a document, with a note."""
    found = plans(json.dumps(DOCUMENT["Plan"]))[0]
    assert found.document == {"Plan": DOCUMENT["Plan"]}
    assert "bare plan node" in found.notes[0]


def test_a_capture_passes_through() -> None:
    """Capture files of this package are not looked into."""
    capture = {"schema": "rowreckon.capture/1", "name": "slow", "query": "select 1", "explain": [DOCUMENT]}
    found = plans(json.dumps(capture))[0]
    assert (found.form, found.document, found.query) == ("capture", capture, "select 1")


def test_the_query_beside_the_plan_is_found() -> None:
    """The log module's Query Text, a driver's query, psql's echo and a pasted EXPLAIN all name the statement."""
    query = "select h.name\n  from hut h where h.name <> 'a;b'"
    with_text = {"Query Text": query, **DOCUMENT}
    assert plans(json.dumps(with_text))[0].query == query
    assert plans(json.dumps({"query": query, "plan": [DOCUMENT]}))[0].query == query
    first, second = query.split("\n")
    echo = f"huts=> explain (analyze, format json)\nhuts-> {first}\nhuts-> {second};\n{aligned(CAPTURED)}"
    assert plans(echo)[0].query == query
    assert plans(f"EXPLAIN ANALYZE {query}\n\n{CAPTURED}")[0].query == query
    assert plans(CAPTURED)[0].query is None


def test_worker_lists_given_twice_are_joined() -> None:
    """Releases before 13 print a sort's workers and the node's workers as two lists under one key (12.22 does)."""
    text = (
        '[{"Plan": {"Node Type": "Sort", "Workers": [{"Worker Number": 0, "Sort Method": "quicksort"}],'
        ' "Workers": [{"Worker Number": 0, "Actual Rows": 7}, {"Worker Number": 1, "Actual Rows": 8}]}}]'
    )
    found = plans(text)[0]
    assert found.document["Plan"]["Workers"] == [
        {"Worker Number": 0, "Sort Method": "quicksort", "Actual Rows": 7},
        {"Worker Number": 1, "Actual Rows": 8},
    ]
    assert "Workers" in found.notes[0]


def test_halves_of_surrogates_never_get_through() -> None:
    """What can't be written as UTF-8 becomes a replacement character, whole pairs and backslashes stay."""
    text = r'{"Plan": {"Node Type": "Result", "Alias": "a\ud83cb", "Filter": "\ud83c\udfd4 \\ud83c"}}'
    plan = plans(text)[0].document["Plan"]
    assert plan["Alias"] == "a\ufffdb"
    assert plan["Filter"] == "\U0001f3d4 \\ud83c"
    json.dumps(plan, ensure_ascii=False).encode()


def plans(text: str | bytes) -> list[RawPlan]:
    found = read_plans(text)
    assert all(isinstance(each, RawPlan) for each in found), found
    return [each for each in found if isinstance(each, RawPlan)]


BROKEN = {
    "truncated": (CAPTURED[: CAPTURED.index('"Planning Time"') - 6], "cut off here, }] is missing", None),
    "truncated in a string": (CAPTURED[: CAPTURED.index("Node Type") + 4], "cut off here, }}] is missing", "line 4"),
    "not a number": (CAPTURED.replace('"Plan Rows": ', '"Plan Rows": NaN, "X": ', 1), "NaN is not finite", "line 9"),
    "infinite": (CAPTURED.replace('"Plan Rows": ', '"Plan Rows": -Infinity, "X": ', 1), "-Infinity", "line 9"),
    "too big": (
        aligned(CAPTURED).replace('"Plan Rows": ', '"Plan Rows": 1e999, "X": NaN, "Y": ', 1),
        "too big, in [0] > Plan > Plan Rows",
        "line 11, column 21",
    ),
    "key twice": (
        '{"Plan": {"Node Type": "Hash", "Alias": "a", "Alias": "b"}}',
        "the key 'Alias' stands twice with different values, in Plan > Alias",
        "line 1, column 58",
    ),
    "no colon": ('{"Plan": {"Node Type" "Hash"}}', "colon is expected", "line 1, column 23"),
    "no comma": ('{"Plan": {"Node Type": "Hash" "Plans": []}}', "a comma or '}' is expected, in Plan", "line 1"),
    "plan is no object": ('{"Plan": [1, 2]}', "Plan is a list where an object is expected", "line 1"),
}


@pytest.mark.parametrize("case", BROKEN)
def test_broken_documents_say_why_and_where(case: str) -> None:
    """A malformed plan is rejected with reason and place; none of its parts passes for a plan."""
    text, reason, where = BROKEN[case]
    (found,) = read_plans(text)
    assert isinstance(found, Rejected)
    assert reason in found.reason
    assert where is None or found.where.startswith(where), found.where


def test_a_broken_plan_does_not_hide_the_next() -> None:
    """After a broken document the reader goes on with the next whole one."""
    text = f"{ONE_LINE[:-400]}\n\nand then\n{ONE_LINE}\n"
    broken, good = read_plans(text)
    assert isinstance(broken, Rejected)
    assert isinstance(good, RawPlan)
    assert good.document == DOCUMENT


@pytest.mark.parametrize(
    ("text", "error", "words"),
    [
        ("", NotAPlan, "empty"),
        (b" \r\n\t", NotAPlan, "empty"),
        ("\ufeff", NotAPlan, "empty"),
        ("just words", NotAPlan, "no EXPLAIN output"),
        ('{"a": [1, 2, {"b": null}]}', NotAPlan, "no EXPLAIN output"),
        ("[]", NotAPlan, "no EXPLAIN output"),
        (b"\x7fELF\x02\x01\x01\0\0\0\0\0\xff\xfe", NotAPlan, "binary"),
        (b'[{"Plan": {"Node Type": "\xe9t\xe9"}}]', BrokenPlan, "not valid UTF-8 at line 1, byte 26"),
    ],
)
def test_what_is_no_plan_is_said_in_one_sentence(text: str | bytes, error: type[Exception], words: str) -> None:
    """Empty, binary, undecodable and unrelated inputs raise the leaf that fits, in one line."""
    with pytest.raises(error) as caught:
        read_plans(text)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def nested(levels: int) -> str:
    return '{"Plan": ' + '{"Node Type": "Append", "Plans": [' * levels + '{"Node Type": "Result"}' + "]}" * levels + "}"


def test_depth_is_limited_by_an_option_not_by_the_stack() -> None:
    """A thousand plan levels are read, ten thousand are refused in one sentence, more with a higher limit."""
    (found,) = plans(nested(990))
    depth, node = 0, found.document["Plan"]
    while "Plans" in node:
        depth, node = depth + 1, node["Plans"][0]
    assert depth == 990
    with pytest.raises(InputTooLarge, match="nested more than 1000 levels deep"):
        read_plans(nested(10_000))
    assert len(read_plans(nested(10_000), limits=Limits(max_depth=11_000))) == 1
    with pytest.raises(NotAPlan):
        read_plans("[" * 100_000)


def test_size_and_number_are_limited() -> None:
    """Inputs over the limits are refused before they are looked into."""
    with pytest.raises(InputTooLarge, match="bytes"):
        read_plans(CAPTURED, limits=Limits(max_bytes=1000))
    with pytest.raises(InputTooLarge, match="more than 2 plans"):
        read_plans(json.dumps([DOCUMENT] * 3), limits=Limits(max_plans=2))
