"""`--baseline`: every format says what was compared with, what is new, what is gone; what fits nothing is status 2."""

from __future__ import annotations

import json
import os
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from tests.cli.running import SAMPLES, rowreckon

CROSSED = SAMPLES / "correlated-columns.18.json"
OTHER = SAMPLES / "stale-statistics.18.json"


def audit_of(path: Path, *plans: Path) -> Path:
    """The audit document of these plans, in a file last written on a known day."""
    done = rowreckon("audit", *map(str, plans), "--format", "json")
    assert done.returncode == 0, done.stderr
    path.write_text(done.stdout)
    os.utime(path, (1_790_000_000, 1_790_000_000))  # 2026-09-21 14:13:20 UTC, by `date -u -d @1790000000`
    return path


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return audit_of(tmp_path_factory.mktemp("baseline") / "before.json", CROSSED)


def test_every_format_says_what_was_compared(before: Path, tmp_path: Path) -> None:
    """File, day, version, joins; what is new by name; and the status counts only that."""
    names = ["r.md", "r.html", "r.json", "r.xml"]
    done = rowreckon(
        "audit", str(CROSSED), str(OTHER), "--fail-on", "crossed", "--baseline", str(before),
        *(part for name in names for part in ("--report", str(tmp_path / name))),
    )  # fmt: skip
    assert done.returncode == 1, done.stderr
    told = json.loads((tmp_path / "r.json").read_text())["baseline"]
    assert told["file"] == str(before)
    assert told["written"] == "2026-09-21 14:13 UTC"
    assert (told["plans"], told["found"]) == (1, 1)
    assert told["joins"] == len(json.loads(before.read_text())["plans"][0]["joins"])
    assert {join["source"] for join in told["new"]} == {str(OTHER)}
    assert told["gone"] == []
    suite = ET.fromstring((tmp_path / "r.xml").read_text()).find("testsuite")
    assert suite is not None
    assert len(told["new"]) >= int(suite.get("failures", "0")) == 1
    for text in (done.stdout, *((tmp_path / name).read_text() for name in ("r.md", "r.html", "r.xml"))):
        flat = " ".join(text.split())
        assert "2026-09-21 14:13 UTC" in flat
        assert "New: crossed" in flat
        assert "Gone: no join was crossed that is not so any more" in flat


def test_what_is_gone_is_named(tmp_path: Path) -> None:
    """The same query, whose join is no longer misestimated: gone, and nothing new."""
    document = json.loads(CROSSED.read_text())

    def right(node: dict[str, object]) -> None:
        node["Plan Rows"] = max(int(float(str(node.get("Actual Rows", 1)))), 1)
        for child in node.get("Plans", ()):  # type: ignore[attr-defined]  # a list of nodes
            right(child)

    right(document[0]["Plan"])
    now = tmp_path / CROSSED.name
    now.write_bytes(CROSSED.read_bytes())
    before = audit_of(tmp_path / "before.txt", now)
    now.write_text(json.dumps(document))
    done = rowreckon("audit", str(now), "--fail-on", "crossed,held", "--baseline", str(before), "--format", "json")
    told = json.loads(done.stdout)["baseline"]
    assert done.returncode == 0, (done.stderr, told)
    assert told["new"] == []
    assert [join["verdict"] for join in told["gone"]] == ["crossed"]


def test_a_baseline_of_other_queries_is_status_2(before: Path) -> None:
    """Nothing was compared, and a build must not take that for nothing new."""
    done = rowreckon("audit", str(SAMPLES / "limit.18.json"), "--fail-on", "crossed", "--baseline", str(before))
    assert done.returncode == 2
    assert "holds none of these queries" in done.stderr
    assert "Baseline" in done.stdout


@pytest.mark.parametrize("content", [b"", b"{}", b'{"schema": "rowreckon.audit/', b"\xff\xfe\x00", b"The hut is full."])
def test_a_baseline_that_cannot_be_read_is_status_2(content: bytes, tmp_path: Path) -> None:
    """One sentence, before anything is audited."""
    bad = tmp_path / "bad.json"
    bad.write_bytes(content)
    done = rowreckon("audit", str(CROSSED), "--fail-on", "crossed", "--baseline", str(bad))
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert done.stdout == ""
