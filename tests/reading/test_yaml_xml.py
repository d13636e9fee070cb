"""YAML and XML beyond the plain case: wrappings, mended counts, refusals, and damage that must not get through.

The plan (MERGE into a partitioned table) was captured from PostgreSQL 15.18 in all four forms.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rowreckon.errors import InputTooLarge, RowreckonError
from rowreckon.reading import Limits, RawPlan, Rejected, read_plans

DATA = Path(__file__).parent / "data"
TEXTS = {form: (DATA / f"merge_partitioned_15.{form}").read_text() for form in ("json", "yaml", "xml")}


def one(text: str) -> RawPlan:
    (found,) = read_plans(text)
    assert isinstance(found, RawPlan), found
    return found


@pytest.mark.parametrize("form", TEXTS)
def test_merge_counts_are_mended_in_every_form(form: str) -> None:
    """Servers of 15 to 18 print a MERGE's counts among its target tables: they are moved to the node, with a note."""
    found = one(TEXTS[form])
    plan = found.document["Plan"]
    assert found.form == form
    assert [plan[f"Tuples {what}"] for what in ("Inserted", "Updated", "Deleted", "Skipped")] == [56, 0, 0, 0]
    assert [target["Relation Name"] for target in plan["Target Tables"]] == [
        "stay_spring",
        "stay_summer",
        "stay_autumn",
    ]
    assert plan["Plans"][0]["Plan Rows"] == 56
    assert ["counts inside Target Tables were mended" in note for note in found.notes] == [True]


WRAPPED: dict[str, Callable[[str], str]] = {
    "quoted": lambda text: "".join(f"> {line}\n" for line in text.splitlines()),
    "set in": lambda text: "".join(f"        {line}\n" for line in text.splitlines()),
    "fence and prose": lambda text: f"See here:\n\n```\n{text}```\n\nPlan: none yet.\n",
    "windows": lambda text: text.replace("\n", "\r\n"),
}


@pytest.mark.parametrize("form", ["yaml", "xml"])
@pytest.mark.parametrize("way", WRAPPED)
def test_wrappings_come_off(way: str, form: str) -> None:
    """Quotation, indentation, fences and line ends change nothing."""
    assert one(WRAPPED[way](TEXTS[form])).document["Plan"].keys() == one(TEXTS["json"]).document["Plan"].keys()


def test_the_log_modules_layout() -> None:
    """Without the list around it, and with the query above the plan."""
    yaml = (
        'Query Text: "select 1\\nfrom hut"\nPlan: \n  Node Type: "Result"\n  Alias: "123"\n  Plan Rows: 1\nTriggers: \n'
    )
    found = one(yaml)
    assert found.query == "select 1\nfrom hut"
    assert found.document["Plan"] == {"Node Type": "Result", "Alias": "123", "Plan Rows": 1}
    assert found.document["Triggers"] == []
    xml = (
        '<explain xmlns="http://www.postgresql.org/2009/explain">\n  <Query-Text>select 1 &lt; 2</Query-Text>\n'
        "  <Plan>\n    <Node-Type>Result</Node-Type>\n    <Alias>123</Alias>\n    <Plan-Rows>1</Plan-Rows>\n  </Plan>\n"
        "  <Triggers>\n  </Triggers>\n</explain>"
    )
    found = one(xml)
    assert found.query == "select 1 < 2"
    assert found.document["Plan"] == {"Node Type": "Result", "Alias": "123", "Plan Rows": 1}
    assert found.document["Triggers"] == []


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (TEXTS["xml"][:2000], "cut off"),
        ('<!DOCTYPE a [<!ENTITY b "c">]><explain><Query><Plan><Alias>&b;</Alias></Plan></Query></explain>', "entity"),
        ("<explain><!DOCTYPE a><Query></Query></explain>", "not valid XML"),
        ("<explain><Query><Plan><Node-Type>Sort</Plan></Query></explain>", "mismatched tag"),
        ("<explain><Query><Nothing>1</Nothing></Query></explain>", "no Plan element"),
        ('- Plan: \n    Node Type: &a "Sort"\n    Alias: *a\n', "anchors"),
        ('- Plan: \n    Node Type: !!python/object:os.system "Sort"\n', "tags"),
        ('- Plan: \n    Node Type: "Sort\n', "not valid YAML"),
        ('- Plan: \n    Node Type: "Sort"\n    Alias: "a"\n    Alias: "b"\n', "stands twice"),
    ],
)
def test_what_postgresql_never_prints_is_refused(text: str, reason: str) -> None:
    """Truncation, entities, anchors, tags and contradictions are refused with the reason and a line."""
    (found,) = read_plans(text)
    assert isinstance(found, Rejected)
    assert reason in found.reason
    assert found.where.startswith("line ")


def test_depth_is_limited() -> None:
    """Both forms nest no deeper than JSON may, and neither overflows a stack."""
    levels = 20_000
    xml = "<explain><Query>" + "<Plan><Node-Type>Append</Node-Type><Plans>" * levels
    with pytest.raises(InputTooLarge, match="1000 levels"):
        read_plans(xml + "</Plans></Plan>" * levels + "</Query></explain>")
    flow = '- Plan: \n    Node Type: "Append"\n    Output: ' + "[" * levels + "]" * levels + "\n"
    with pytest.raises(InputTooLarge, match="nested"):
        read_plans(flow)
    block = "- Plan: \n    Node Type: Append\n    Plans: \n"
    for level in range(1, 600):
        block += f"{' ' * (4 * level + 2)}- Node Type: Append\n{' ' * (4 * level + 4)}Plans: \n"
    with pytest.raises(InputTooLarge, match="FORMAT JSON"):
        read_plans(block)
    with pytest.raises(InputTooLarge, match="100 levels"):
        read_plans(block, limits=Limits(max_depth=100))


@given(st.data())
def test_damage_never_raises_anything_but_the_typed_errors(data: st.DataObject) -> None:
    """Cut or overwritten documents in every form end in plans, refusals, or one of our errors."""
    text = TEXTS[data.draw(st.sampled_from(sorted(TEXTS)))]
    for _ in range(data.draw(st.integers(1, 4))):
        begin = data.draw(st.integers(0, len(text)))
        end = begin + data.draw(st.integers(0, 60))
        text = (
            text[:begin] + data.draw(st.text(alphabet='{}[]"<>/-:,\\ \n0aN&*!|\u00e9\ud800', max_size=4)) + text[end:]
        )
    try:
        found = read_plans(text)
    except RowreckonError:
        return
    assert found
