"""`rowreckon compare` and `--baseline`: formats, exit statuses, and what may be given."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from rowreckon.report.comparing.compare_document import ComparisonDocument
from tests.cli.running import SAMPLES, rowreckon

CAPTURES = Path(__file__).parents[1] / "report" / "captures"
BEFORE = CAPTURES / "stale-statistics.capture.json"


@pytest.fixture
def slower(tmp_path: Path) -> Path:
    """The same capture with eight runs, each five times as long as eight before it would be."""
    document = json.loads(BEFORE.read_text("utf-8"))
    document["runs"] = [1000.0 + n for n in range(8)]
    path = tmp_path / "later" / BEFORE.name
    path.parent.mkdir()
    path.write_text(json.dumps(document), "utf-8")
    return path


@pytest.fixture
def before(tmp_path: Path) -> Path:
    """The capture with eight runs about 200 ms long."""
    document = json.loads(BEFORE.read_text("utf-8"))
    document["runs"] = [200.0 + n for n in range(8)]
    path = tmp_path / "earlier" / BEFORE.name
    path.parent.mkdir()
    path.write_text(json.dumps(document), "utf-8")
    return path


def test_the_same_input_twice_has_no_difference() -> None:
    """Status 0, and said in so many words."""
    done = rowreckon("compare", str(CAPTURES), str(CAPTURES), "--fail-on", "difference")

    assert done.returncode == 0, done.stderr
    assert "No difference beyond noise." in done.stdout


def test_an_audit_document_stands_for_its_plans(tmp_path: Path) -> None:
    """Captures, a folder of them and the audit of both compare alike."""
    audit = tmp_path / "audit.json"
    rowreckon("audit", str(CAPTURES), "--report", str(audit))
    done = rowreckon("compare", str(audit), str(CAPTURES), "--format", "json")

    assert json.loads(done.stdout)["differs"] is False


def test_slower_beyond_noise_fails_where_asked(before: Path, slower: Path) -> None:
    """Eight and eight runs that stand apart: by chance in 2 of C(16, 8) = 12,870 cases (exact rank-sum test)."""
    for words, status in (("slower", 1), ("difference", 1), ("method", 0), ("misestimate,outcome", 0)):
        assert rowreckon("compare", str(before), str(slower), "--fail-on", words).returncode == status
    document = json.loads(rowreckon("compare", str(before), str(slower), "--format", "json").stdout)
    times = document["plans"][0]["times"]

    assert times["difference"] == "slower"
    assert times["chance"] == 2 / 12870
    assert rowreckon("compare", str(slower), str(before), "--fail-on", "slower").returncode == 0


def test_two_plans_of_one_query(tmp_path: Path) -> None:
    """A plan before and one after another release: the join methods and the misestimates that differ are named."""
    done = rowreckon("compare", str(SAMPLES / "merge-tail.16.json"), str(SAMPLES / "merge-tail.18.json"))

    assert done.returncode == 0, done.stderr
    assert "Times:" in done.stdout


def test_formats_agree_and_are_deterministic(before: Path, slower: Path, tmp_path: Path) -> None:
    """JSON holds to its schema; Markdown and terminal say the same headline; the same input, the same bytes."""
    report = [part for name in ("c.md", "c.json") for part in ("--report", str(tmp_path / name))]
    text = rowreckon("compare", str(before), str(slower), *report, COLUMNS="200").stdout
    printed = rowreckon("compare", str(before), str(slower), "--format", "json").stdout
    schema = json.loads(rowreckon("schema", "comparison").stdout)

    assert ComparisonDocument.model_validate_json(printed).to_json() == printed
    assert (tmp_path / "c.json").read_text("utf-8") == printed
    assert text.splitlines()[0] in (tmp_path / "c.md").read_text("utf-8").replace("`", "")  # names stand in them there
    assert set(json.loads(printed)) == set(schema["properties"])
    assert rowreckon("compare", str(before), str(slower), "--format", "markdown").stdout.startswith("# Comparison")


def test_what_was_promised_is_said_again(before: Path, slower: Path) -> None:
    """The gain that the first audit expected of its change stands beside the times."""
    done = rowreckon("compare", str(slower), str(before), COLUMNS="200")

    said = " ".join(done.stdout.split())
    assert "Change 1 of the first audit (refresh the statistics on public.trail_reports)" in said
    assert "It was said of it: may bring back up to" in said


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ('{"schema": "rowreckon.audit/9", "plans": []}', "of version 'rowreckon.audit/9'"),
        ('{"schema": "rowreckon.audit/2", "plans": 7}', "does not hold to its schema"),
        ('{"schema": "rowreckon.audit/1", "plans": [', "no whole JSON"),
        ("no plan at all", "holds no EXPLAIN output"),
    ],
)
def test_bad_input_is_one_sentence(tmp_path: Path, content: str, said: str) -> None:
    """Status 2, no traceback, for either side and for the baseline."""
    bad = tmp_path / "bad.json"
    bad.write_text(content)
    for arguments in (
        ("compare", str(bad), str(BEFORE)),
        ("compare", str(BEFORE), str(bad)),
        ("audit", str(BEFORE), "--fail-on", "crossed", "--baseline", str(bad)),
    ):
        done = rowreckon(*arguments)
        assert done.returncode == 2
        assert said in done.stderr
        assert "Traceback" not in done.stderr


def test_bad_usage_is_status_2(tmp_path: Path) -> None:
    """Unknown words, formats that a comparison has not, files that are not there, a baseline that guards nothing."""
    for arguments in (
        ("compare", str(BEFORE), str(BEFORE), "--fail-on", "uglier"),
        ("compare", str(BEFORE), str(BEFORE), "--report", str(tmp_path / "c.pdf")),
        ("compare", str(BEFORE), str(tmp_path / "gone.json")),
        ("audit", str(BEFORE), "--baseline", str(BEFORE)),
        ("audit", str(BEFORE), "--baseline", str(tmp_path / "gone.json"), "--fail-on", "crossed"),
    ):
        done = rowreckon(*arguments)
        assert done.returncode == 2, arguments
        assert done.stderr.startswith("rowreckon: ")


@pytest.mark.parametrize("masked", [(), ("--mask",)])
def test_a_baseline_excuses_what_it_holds_and_the_xml_agrees(tmp_path: Path, masked: tuple[str, ...]) -> None:
    """Old crossed joins pass; a new one fails; status 1 exactly where the XML has failures."""
    old = tmp_path / "old.json"
    rowreckon("audit", str(BEFORE), "--report", str(old))
    for paths, new in (((BEFORE,), 0), ((BEFORE, CAPTURES / "correlated-range.capture.json"), 1)):
        xml = tmp_path / "guard.xml"
        done = rowreckon(
            "audit", *map(str, paths), "--fail-on", "crossed", "--baseline", str(old), "--report", str(xml), *masked
        )
        suite = ET.parse(xml).getroot().find("testsuite")

        assert suite is not None
        assert suite.get("failures") == str(new)
        assert done.returncode == min(new, 1)
    assert rowreckon("audit", str(BEFORE), "--fail-on", "crossed", *masked).returncode == 1
