"""The quick ways agree with the full audit: counts with `counts.reckon`, verdicts with `judge_joins`."""

from __future__ import annotations

import json
import random
from typing import Any

import pytest

from rowreckon.archive import shape
from rowreckon.archive.digest import Digester
from rowreckon.archive.figures import Template, join_places
from rowreckon.archive.shape import Shapes, _check
from rowreckon.auditing import audit_capture
from rowreckon.counts import reckon
from rowreckon.intake import capture_of
from rowreckon.joins.facts.misestimated import misestimated_joins
from rowreckon.plan import lay_out, parse_document
from rowreckon.reading import RawPlan
from tests.archive.logs import sample_documents
from tests.benchmarks.archive_log import plan_document

DOCUMENTS = list(sample_documents())


def _varied(node: dict[str, Any], draw: random.Random) -> dict[str, Any]:
    """The same shape with other counts: none, some, many loops."""
    out = dict(node)
    if draw.random() < 0.4:
        out["Actual Loops"] = draw.choice([0, 1, 2, 7, 1000])
        out["Actual Rows"] = 0 if out["Actual Loops"] == 0 else draw.choice([0, 1, 3, 50_000])
    if draw.random() < 0.3:
        out["Plan Rows"] = draw.choice([1, 2, 10, 900_000])
    if "Plans" in out:
        out["Plans"] = [_varied(child, draw) for child in out["Plans"]]
    return out


@pytest.mark.parametrize(("name", "raw"), DOCUMENTS, ids=[name for name, _ in DOCUMENTS])
def test_errors_of_a_known_shape_are_those_of_reckon(name: str, raw: RawPlan) -> None:
    """q-errors between nearest ends, node by node, for the captured plan and 40 variations of its counts."""
    root = raw.document["Plan"]
    draw = random.Random(name)
    template = Template(Shapes().walk(root)[1], leader_takes_part=True)
    for plan in [root, *(_varied(root, draw) for _ in range(40))]:
        _, nodes, counted = Shapes().walk(plan)
        if not counted:
            pytest.skip("captured without ANALYZE")
        reckoned = reckon(lay_out(parse_document({"Plan": plan}).plan))

        assert [count.q_error_low for count in reckoned.counts] == template.errors(nodes)


@pytest.mark.parametrize(("name", "raw"), DOCUMENTS, ids=[name for name, _ in DOCUMENTS])
def test_sides_of_joins_are_those_of_the_judge(name: str, raw: RawPlan) -> None:
    """The nodes that count as a join's sides."""
    tree = lay_out(parse_document(raw.document).plan)
    places = {place.node: place for place in join_places(tree)}

    assert set(places) == set(tree.joins())
    for facts in misestimated_joins(reckon(tree), threshold=1.0):
        assert (places[facts.node].outer, places[facts.node].inner) == (facts.outer.node, facts.inner.node)


@pytest.mark.parametrize(("name", "raw"), DOCUMENTS, ids=[name for name, _ in DOCUMENTS])
def test_a_digest_says_what_the_audit_says(name: str, raw: RawPlan) -> None:
    """Verdicts of misestimated joins, misestimated nodes and the largest error."""
    digest = Digester(threshold=10.0).digest(raw)
    plan, _ = audit_capture(capture_of(raw, name))
    errors = [node.q_error_low for node in plan.nodes if node.q_error_low is not None]
    wrong = {
        facts.node for facts in misestimated_joins(reckon(lay_out(parse_document(raw.document).plan)), threshold=10.0)
    }
    verdicts = [join.verdict for join in plan.joins if join.node in wrong]

    assert digest.joins == len(plan.joins)
    assert digest.worst == max(errors, default=None)
    assert digest.misestimated == sum(1 for e in errors if e >= 10)
    assert digest.crossed == verdicts.count("crossed")
    assert digest.held == verdicts.count("held")


def test_the_quick_the_careful_and_the_typed_way_agree() -> None:
    """Generated plans, and the samples: one digest whichever way was taken, first or again."""
    draw = random.Random(5)
    documents = [plan_document(draw, n, repeat=True, wrong=n % 9 == 0) for n in range(120)]
    documents += [{"Query Text": "select 1", **raw.document} for _, raw in DOCUMENTS]
    warm = Digester(threshold=10.0)
    quick = 0
    for document in documents * 2:
        raw = RawPlan(document, "json", "", document["Query Text"], (), {"duration_ms": 12.5})
        expected = Digester(threshold=10.0).of_capture(raw, capture_of(raw, ""), warm.digest(raw).fingerprint)
        careful = warm.digest(raw)
        fast = warm.quick(raw, signs="-" in json.dumps(document["Plan"]))
        expected.fingerprint = careful.fingerprint

        assert careful == expected
        if fast is not None:
            quick += 1
            assert fast == careful
    assert quick > len(documents)


def test_plans_of_new_shapes_are_folded_without_their_models(monkeypatch: pytest.MonkeyPatch) -> None:
    """Models are made for the first node with its keys alone, however many shapes come: that keeps folds cheap."""
    documents = [plan_document(random.Random(n), n, repeat=False, wrong=False) for n in range(60)]
    digester = Digester(threshold=10.0, judge=False)
    looked_at = 0

    def looking(node: dict[str, Any]) -> None:
        nonlocal looked_at
        looked_at += 1
        _check(node)

    monkeypatch.setattr(shape, "_check", looking)
    monkeypatch.setattr("rowreckon.plan.document.build_plan", None)
    for each in documents:
        raw = RawPlan(each, "json", "", each["Query Text"])
        assert digester.quick(raw, signs="-" in json.dumps(each["Plan"])) or digester.digest(raw)
    nodes = json.dumps(documents).count('"Node Type"')

    assert len(digester.known) == len(documents)
    assert looked_at < nodes / 5


@pytest.mark.parametrize(
    "change",
    [
        {"Plan Rows": "12"},
        {"Plan Rows": -1},
        {"Plan Rows": True},
        {"Actual Rows": float("inf")},
        {"Actual Loops": [1]},
        {"Filter": 5},
        {"Parallel Aware": {}},
        {"Plans": 3},
        {"Plans": ["x"]},
        {"Node Type": None},
        {"Total Cost": "dear"},
        {"Workers": [{"Worker Number": "one"}]},
    ],
    ids=str,
)
def test_what_postgresql_never_prints_is_refused_first_or_again(change: dict[str, Any]) -> None:
    """A wrong value is refused whether its shape is new or known, as the typed form refuses it."""
    from rowreckon.errors import BrokenPlan

    good = plan_document(random.Random(3), 1, repeat=True, wrong=False)
    bad = {**good, "Plan": {**good["Plan"], **change}}
    raw = RawPlan(bad, "json", "", bad["Query Text"])
    with pytest.raises(BrokenPlan):
        parse_document(bad)
    warm = Digester(threshold=10.0)
    for _ in range(2):
        warm.digest(RawPlan(good, "json", "", good["Query Text"]))
    for digester in (Digester(threshold=10.0), warm):
        assert digester.quick(raw, signs="-" in json.dumps(bad["Plan"])) is None
        with pytest.raises(BrokenPlan):
            digester.digest(raw)
