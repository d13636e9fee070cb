"""Bad input: one sentence with place and remedy, exit status 2, nothing rendered, other inputs still audited."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rowreckon.auditing import audit
from rowreckon.capture import Capture
from rowreckon.document.audit import Rejected
from rowreckon.intake import read_text
from tests.cli.running import SAMPLES, rowreckon

PLAN = json.loads((SAMPLES / "correlated-columns.18.json").read_text())
DEEP = '{"Plan": ' + '{"Node Type": "Limit", "Plans": [' * 10_000 + '{"Node Type": "Result"}' + "]}" * 10_000 + "}"


def _changed(key: str, value: Any) -> str:
    document = copy.deepcopy(PLAN)
    document[0]["Plan"][key] = value
    return json.dumps(document)


BAD = {
    "empty": b"",
    "blank": b"  \n\t\n",
    "binary": bytes(range(256)) * 8,
    "invalid UTF-8": b'[{"Plan": {"Node Type": "\xff\xfe\xfa"}}]',
    "not a plan": b"The hut is full tonight.\n",
    "JSON that is no plan": b'{"huts": [1, 2, 3]}',
    "a plan that is a list": b'[{"Plan": []}]',
    "a plan without a node type": b'[{"Plan": {"Startup Cost": 1.0}}]',
    "truncated": json.dumps(PLAN)[:700].encode(),
    "text for a number": _changed("Plan Rows", "many").encode(),
    "a flag for a number": _changed("Actual Rows", True).encode(),
    "a list for a text": _changed("Node Type", ["Sort"]).encode(),
    "NaN": _changed("Total Cost", float("nan")).encode(),
    "infinite": _changed("Total Cost", float("inf")).encode(),
    "negative": _changed("Actual Loops", -3).encode(),
    "children that are no list": _changed("Plans", {"Node Type": "Sort"}).encode(),
    "a child that is no node": _changed("Plans", ["Sort"]).encode(),
    "10,000 levels deep": DEEP.encode(),
}


@pytest.mark.parametrize("name", BAD)
def test_one_sentence_and_status_2(name: str, tmp_path: Path) -> None:
    """Each bad input ends with status 2, one line that names the file, and no traceback."""
    file = tmp_path / "plan.json"
    file.write_bytes(BAD[name])
    done = rowreckon("audit", str(file), "--format", "json")
    lines = [line for line in done.stderr.splitlines() if line]

    assert done.returncode == 2
    assert len(lines) == 1
    assert lines[0].startswith(f"rowreckon: {file}")
    assert len(lines[0]) < 400
    assert "Traceback" not in done.stderr + done.stdout
    assert json.loads(done.stdout)["plans"] == []
    assert len(json.loads(done.stdout)["rejected"]) == 1


def test_a_bad_value_is_named_with_its_place() -> None:
    """The sentence says which node and key, and what stands there."""
    document = copy.deepcopy(PLAN)
    document[0]["Plan"]["Plans"][0]["Plan Rows"] = "many"
    (rejected,) = read_text(json.dumps(document), source="tonight.json")

    assert isinstance(rejected, Rejected)
    assert rejected.source == "tonight.json"
    assert rejected.where is not None
    assert "Plan > Plans[0] > Plan Rows" in rejected.where
    assert "many" in rejected.reason


def test_good_inputs_beside_a_bad_one_are_audited(tmp_path: Path) -> None:
    """Status 2 for the bad one; the readable ones are reported all the same."""
    bad = tmp_path / "bad.json"
    bad.write_text("no plan at all")
    good = SAMPLES / "limit.18.json"
    done = rowreckon("audit", str(bad), str(good), "--format", "json")
    document = json.loads(done.stdout)

    assert done.returncode == 2
    assert [plan["source"] for plan in document["plans"]] == [str(good)]
    assert [item["source"] for item in document["rejected"]] == [str(bad)]


def test_terminal_escapes_and_markup_stay_text(tmp_path: Path) -> None:
    """Escape sequences and markup in any string of a plan are shown, never acted upon."""
    payload = "\x1b[31m\x1b]0;hut\x07[bold red]hut[/] <script>alert(1)</script>\u202e"
    document = copy.deepcopy(PLAN)
    _fill(document[0]["Plan"], payload)
    file = tmp_path / "hostile.json"
    file.write_text(json.dumps(document))
    for form in ("terminal", "markdown"):
        done = rowreckon("audit", str(file), "--format", form)

        assert done.returncode == 0
        assert "\x1b" not in done.stdout + done.stderr
        assert "\x07" not in done.stdout
        assert "\u202e" not in done.stdout
        if form == "terminal":
            assert "[bold red]" in done.stdout


def _fill(node: dict[str, Any], payload: str) -> None:
    for key in ("Relation Name", "Alias", "Schema", "Index Name", "Filter", "Hash Cond", "Index Cond", "Join Filter"):
        if key in node:
            node[key] += payload
    for child in node.get("Plans", ()):
        _fill(child, payload)


_VALUES = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.lists(st.integers(), max_size=2)
)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_value_anywhere_is_audited_or_refused(data: st.DataObject) -> None:
    """Whatever value stands at whatever key of a plan, there is an audit or a named rejection, never an exception."""
    document = copy.deepcopy(PLAN)
    node = document[0]["Plan"]
    while node.get("Plans") and data.draw(st.booleans()):
        node = data.draw(st.sampled_from(node["Plans"]))
    node[data.draw(st.sampled_from(sorted(node)) | st.text(max_size=8))] = data.draw(_VALUES)
    (found,) = read_text(json.dumps(document))
    result = audit([found])

    assert isinstance(found, Capture | Rejected)
    assert len(result.plans) + len(result.rejected) == 1
    assert result.to_json()


@settings(max_examples=150, deadline=None)
@given(cut=st.integers(min_value=0, max_value=len(json.dumps(PLAN))))
def test_a_plan_cut_anywhere_is_refused_or_read(cut: int) -> None:
    """A plan that ends too early is named as such."""
    found = read_text(json.dumps(PLAN)[:cut])

    assert found
    assert all(isinstance(item, Capture | Rejected) for item in found)
