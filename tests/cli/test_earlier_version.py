"""An audit that an earlier release wrote is still read: by `compare`, as a baseline, and from Python.

`data/audit-version-1.json` was printed by the last commit before version 2, of two plans of sample_plans/.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rowreckon.document.audit import Audit
from rowreckon.document.remedy_kinds import TITLES
from rowreckon.report.words.changes.remedy_words import remedy_title
from tests.cli.running import SAMPLES, rowreckon

EARLIER = Path(__file__).parent / "data" / "audit-version-1.json"
PLANS = [f"{SAMPLES.name}/{name}" for name in ("function-row-default.18.json", "multi-column-join-key.18.json")]


@pytest.fixture(autouse=True)
def in_the_checkout(monkeypatch: pytest.MonkeyPatch) -> None:
    """The file names its plans as they were given: from the checkout's folder."""
    monkeypatch.chdir(SAMPLES.parent)


@pytest.fixture
def now() -> dict[str, object]:
    """What this release prints of the same plans."""
    return dict(json.loads(rowreckon("audit", *PLANS, "--format", "json").stdout))


def test_the_kept_file_is_of_version_1() -> None:
    """Else the tests below would test nothing."""
    document = json.loads(EARLIER.read_text("utf-8"))

    assert document["schema"] == "rowreckon.audit/1"
    assert "title" not in document["remedies"][0]


def test_what_is_printed_is_of_version_2(now: dict[str, object]) -> None:
    """So is the schema that belongs to it."""
    schema = json.loads(rowreckon("schema").stdout)

    assert now["schema"] == "rowreckon.audit/2"
    assert schema["properties"]["schema"]["const"] == "rowreckon.audit/2"


def test_compare_matches_every_query_of_an_earlier_audit(tmp_path: Path, now: dict[str, object]) -> None:
    """The same plans: no query is new or gone."""
    later = tmp_path / "now.json"
    later.write_text(json.dumps(now), "utf-8")
    done = rowreckon("compare", str(EARLIER), str(later), "--format", "json")
    told = json.loads(done.stdout)

    assert done.returncode == 0, done.stderr
    assert len(told["plans"]) == 2
    assert told["only_before"] == told["only_after"] == []


def test_an_earlier_audit_is_a_baseline() -> None:
    """Its crossed join excuses the same join now."""
    done = rowreckon("audit", *PLANS, "--fail-on", "crossed", "--baseline", str(EARLIER))

    assert done.returncode == 0, done.stderr
    assert "2 of 2 plans here found in it" in " ".join(done.stdout.split())


def test_remedies_have_kinds_and_titles_of_their_own(now: dict[str, object]) -> None:
    """Version 1 called both of them `other`."""
    remedies = Audit.model_validate(now).remedies

    assert {r.kind for r in remedies} == {"foreign_key", "function_rows"}
    assert [r.title for r in remedies] == [TITLES[r.kind] for r in remedies]


def test_a_remedy_of_version_1_has_a_title_in_words() -> None:
    """From its kind, since the document holds none."""
    for remedy in Audit.model_validate_json(EARLIER.read_text("utf-8")).remedies:
        assert remedy.title is None
        assert remedy_title(remedy).startswith(TITLES["other"])
