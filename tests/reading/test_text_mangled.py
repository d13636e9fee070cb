"""The text form as it arrives after a mail, a chat or a careless copy: the same document, or a plain refusal.

The plans were captured from PostgreSQL 12.22, 15.18 and 18.6 by the generator beside this file.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rowreckon.errors import InputTooLarge, NotAPlan, RowreckonError
from rowreckon.reading import Limits, RawPlan, Rejected, read_plans

DATA = Path(__file__).parent / "data"
NAMES = ("parallel_sort_18", "nested_ctes_18", "gather_merge_12", "jit_15", "merge_partitioned_15")
TEXTS = {name: (DATA / f"{name}.txt").read_text() for name in NAMES}


def plans(text: str) -> list[RawPlan]:
    found = read_plans(text)
    assert all(isinstance(each, RawPlan) for each in found), found
    return [each for each in found if isinstance(each, RawPlan)]


DOCUMENTS = {name: plans(text)[0].document for name, text in TEXTS.items()}


def each_line(text: str, change: Callable[[str], str]) -> str:
    return "\n".join(change(line) for line in text.rstrip("\n").split("\n")) + "\n"


def wrapped(text: str, width: int, *, indent: bool) -> str:
    """Lines broken at blanks to `width` columns, as mail programs do; `indent` keeps the rest set in."""

    def broken(line: str) -> str:
        start = line[: len(line) - len(line.lstrip())]
        return textwrap.fill(
            line.lstrip(),
            width,
            initial_indent=start,
            subsequent_indent=start if indent else "",
            break_long_words=False,
            break_on_hyphens=False,
        )

    return each_line(text, broken)


MANGLED: dict[str, Callable[[str], str]] = {
    "quoted": lambda text: each_line(text, lambda line: f"> {line}"),
    "quoted twice": lambda text: each_line(text, lambda line: f">> {line}"),
    "set in": lambda text: each_line(text, lambda line: f"      {line}"),
    "comment": lambda text: each_line(text, lambda line: f"-- {line}"),
    "windows": lambda text: text.replace("\n", "\r\n"),
    "double spaced": lambda text: text.replace("\n", "\n\n"),
    "tabs": lambda text: each_line(text, lambda line: line.replace("        ", "\t")),
    "no-break": lambda text: text.replace("  ", "\u00a0\u00a0"),
    "first blank lost": lambda text: each_line(text, lambda line: f" {line}")[1:],
    "fence": lambda text: f"Why is this slow?\n```\n{text}```\nSort of odd.\n",
    "prose": lambda text: f"Dear all,\nhere is the plan (cost is high):\n\n{text}\nThe Sort is slow.\nYours\n",
    "csv": lambda text: "QUERY PLAN\n" + each_line(text, lambda line: '"' + line.replace('"', '""') + '"'),
    "json rows": lambda text: json.dumps([[line] for line in text.rstrip("\n").split("\n")]),
    "json rows by name": lambda text: json.dumps([{"QUERY PLAN": line} for line in text.rstrip("\n").split("\n")]),
    "json string": lambda text: json.dumps({"plan": text}),
    "python rows": lambda text: repr([(line,) for line in text.rstrip("\n").split("\n")]),
    "wrapped": lambda text: wrapped(text, 78, indent=False),
    "wrapped, set in": lambda text: wrapped(text, 78, indent=True),
    "wrapped, quoted": lambda text: each_line(wrapped(text, 76, indent=False), lambda line: f"> {line}"),
    "html": lambda text: text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;"),
}


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("way", MANGLED)
def test_a_mangled_plan_is_the_same_plan(way: str, name: str) -> None:
    """What a mail, a chat or a copy does to the lines does not change the document."""
    (found,) = plans(MANGLED[way](TEXTS[name]))
    assert found.document == DOCUMENTS[name]
    assert found.form == "text"


@given(st.integers(60, 140), st.booleans(), st.sampled_from(NAMES))
def test_wrapping_at_any_width_is_undone(width: int, indent: bool, name: str) -> None:
    """Whatever the width, wrapped lines are joined again (and the reader says so)."""
    text = wrapped(TEXTS[name], width, indent=indent)
    (found,) = plans(text)
    assert found.document == DOCUMENTS[name]
    assert text == TEXTS[name] or any("wrapped" in note for note in found.notes)


def test_the_captured_json_says_the_same() -> None:
    """A plan of 18 with workers, settings, WAL and planning buffers: all that text carries equals the JSON."""
    expected = json.loads((DATA / "parallel_sort_18.json").read_text())[0]
    document = DOCUMENTS["parallel_sort_18"]
    assert document["Settings"] == expected["Settings"]
    node, other = document["Plan"], expected["Plan"]
    while "Plans" in other:
        for key in ("Node Type", "Plan Rows", "Total Cost", "Output", "Sort Key", "Presorted Key", "Parallel Aware"):
            assert node.get(key) == other.get(key)
        assert len(node["Plans"]) == len(other["Plans"])
        node, other = node["Plans"][-1], other["Plans"][-1]


def test_several_plans_without_anything_between() -> None:
    """A root's line begins a new plan, footers or not."""
    text = "".join(TEXTS.values())
    assert [each.document for each in plans(text)] == list(DOCUMENTS.values())


def test_unknown_lines_and_nodes_are_kept() -> None:
    """A detail, a node type and a footer of a release to come stay in the document, named."""
    text = """Quantum Scan on hut h  (cost=0.00..8.00 rows=300 width=84) (actual time=0.1..0.2 rows=300 loops=1)
  Entangled Rows: 12
  Filter: (id > 3)
Planning Time: 0.1 ms
"""
    (found,) = plans(text)
    node = found.document["Plan"]
    assert node["Node Type"] == "Quantum Scan"
    assert (node["Relation Name"], node["Alias"], node["Actual Rows"]) == ("hut", "h", 300)
    assert node["Unrecognised Lines"] == ["Entangled Rows: 12"]
    assert node["Filter"] == "(id > 3)"
    assert any("1 line was not understood" in note for note in found.notes)


def test_cut_at_the_top_gives_the_parts_and_says_so() -> None:
    """Without the root each part that is left is read, with a note."""
    lines = TEXTS["nested_ctes_18"].split("\n")
    arrow = next(index for index, line in enumerate(lines) if "->" in line)
    found = plans("\n".join(lines[arrow + 1 :]))
    assert found
    assert all("cut off" in " ".join(each.notes) for each in found)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (
            "Hash Join  (cost=1.00..2.00 rows=1 width=4)\n"
            "  Hash Cond: (a.id = b.id)\n"
            "  ->  Seq Scan on a  (cost=0.00..1.00 rows=1 width=4)\n",
            "cut off: a Hash Join has two inputs, here are only one",
        ),
        (
            "Hash Join  (cost=1.00..2.00 rows=1 width=4)\n"
            "->  Seq Scan on a  (cost=0.00..1.00 rows=1 width=4)\n"
            "->  Hash  (cost=0.00..1.00 rows=1 width=4)\n"
            "->  Seq Scan on b  (cost=0.00..1.00 rows=1 width=4)\n",
            "two inputs, here are none",
        ),
    ],
)
def test_a_tree_that_is_not_there_is_refused(text: str, reason: str) -> None:
    """A join without both inputs is no join to audit: the reader says what is missing and where."""
    first = read_plans(text)[0]
    assert isinstance(first, Rejected)
    assert reason in first.reason
    assert first.where == "line 1"


def test_words_like_nodes_are_no_plans() -> None:
    """Prose that begins like a node's line is left alone."""
    with pytest.raises(NotAPlan):
        read_plans("Sort the list.\n  Note: the Limit is 5.\nResult of the survey:\n  ->  fine\n")


def test_depth_is_limited() -> None:
    """Text nests as deep as JSON may."""
    text = "Append  (cost=0.00..1.00 rows=1 width=4)\n" + "\n".join(
        f"{' ' * (2 + 6 * level)}->  Append  (cost=0.00..1.00 rows=1 width=4)" for level in range(1200)
    )
    with pytest.raises(InputTooLarge, match="1000 levels"):
        read_plans(text)
    assert len(read_plans(text, limits=Limits(max_depth=2000))) == 1


@given(st.data())
def test_damage_never_raises_anything_but_the_typed_errors(data: st.DataObject) -> None:
    """Cut, doubled, swapped or overwritten lines and characters end in plans, refusals, or one of our errors."""
    text = TEXTS[data.draw(st.sampled_from(NAMES))]
    lines = text.split("\n")
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        kind = data.draw(st.sampled_from(["cut", "double", "swap", "shift", "overwrite", "truncate"]))
        if kind == "cut":
            del lines[at]
        elif kind == "double":
            lines.insert(at, lines[at])
        elif kind == "swap":
            other = data.draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
        elif kind == "shift":
            lines[at] = " " * data.draw(st.integers(0, 9)) + lines[at].lstrip()
        elif kind == "overwrite" and lines[at]:
            where = data.draw(st.integers(0, len(lines[at]) - 1))
            lines[at] = lines[at][:where] + data.draw(st.text(max_size=3)) + lines[at][where + 1 :]
        else:
            lines[at] = lines[at][: data.draw(st.integers(0, len(lines[at])))]
        lines = lines or [""]
    try:
        found = read_plans("\n".join(lines))
    except RowreckonError:
        return
    assert found
