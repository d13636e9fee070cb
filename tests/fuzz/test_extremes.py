"""Single inputs at the limits: nesting, size, and many plans."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from rowreckon.capture import Capture
from rowreckon.intake import read_text
from rowreckon.reading.limits import Limits
from tests.benchmarks.plans import plan_of
from tests.fuzz.check import check_input
from tests.fuzz.corpus import PLAN
from tests.waiting import processor_limit


def _nested(levels: int) -> bytes:
    node = '{"Node Type": "Limit", "Plan Rows": 1, "Actual Rows": 1, "Actual Loops": 1, "Plans": ['
    return ('{"Plan": ' + node * levels + "]}" * levels + "}").encode()


def _entry(body: bytes) -> bytes:
    return b"2026-07-01 00:00:00.000 UTC [7] LOG:  duration: 1.000 ms  plan:\n\t" + body + b"\n"


def test_ten_thousand_levels_are_refused_in_one_sentence_and_read_where_allowed() -> None:
    """The limit is an option: over it one sentence, under it a plan."""
    data = _nested(10_000)
    (refused,) = read_text(data)
    (read,) = read_text(data, limits=Limits(max_depth=10_001))

    assert not isinstance(refused, Capture)
    assert "levels deep" in refused.reason
    assert isinstance(read, Capture)


@pytest.mark.parametrize("opening", ["[", '{"a":', '{"Plan":', '[{"Plans":[', "(", "- ", "<a>", "\t" * 50 + "->  "])
def test_a_million_characters_of_nesting(opening: str) -> None:
    """Nothing but openings: no crash, and an end."""
    data = (opening * (1_000_000 // len(opening))).encode()
    with processor_limit():
        found = read_text(data)

    assert all(not isinstance(each, Capture) for each in found)


@pytest.mark.parametrize(
    ("levels", "max_depth"), [(10_000, 1000), (2_000, 2_001), pytest.param(10_000, 10_001, marks=pytest.mark.full)]
)
def test_nesting_in_a_log(tmp_path: Path, levels: int, max_depth: int) -> None:
    """The command, with the limit as it is by itself and raised."""
    path = tmp_path / "deep.log"
    path.write_bytes(_entry(_nested(levels)) + _entry(_nested(3)))
    command = [sys.executable, "-m", "rowreckon", "audit", str(path), "--max-depth", str(max_depth), "--format", "json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    refused = max_depth < levels

    assert "Traceback" not in done.stderr
    assert json.loads(done.stdout)["summary"]["plans"] == (1 if refused else 2)
    assert done.returncode == (2 if refused else 0)


@pytest.mark.parametrize("text", ["[({{}: 1},)]", "[{{}}]", "[({'Plan': 1if 2else 3},)]", "[('\\m',)]"])
def test_what_is_nearly_a_python_value(text: str, recwarn: pytest.WarningsRecorder) -> None:
    """Neither an exception nor a warning about the text as a program."""
    assert all(not isinstance(each, Capture) for each in read_text(text))
    assert not recwarn.list


def test_a_join_type_that_no_release_knows_yet() -> None:
    """It is audited without an exception, whatever its verdict."""
    data = json.dumps({"Query Text": "select 1", "Plan": {**PLAN, "Join Type": "Inner Again"}}).encode()

    assert check_input(_entry(data), in_full=True) == 1


@pytest.mark.full
def test_a_single_document_of_200_megabytes(tmp_path: Path) -> None:
    """Read with the limit that is the default; refused in a sentence over a lower one; memory stays in bounds."""
    path = tmp_path / "big.json"
    document = plan_of(1_000)
    members = document["Plan"]["Plans"]
    one = json.dumps(members)[1:-1]
    times = 200_000_000 // len(one)
    with path.open("w") as out:
        document["Plan"]["Plans"] = ["@"]
        before, after = json.dumps(document).split('"@"')
        out.write(before + ", ".join([one] * times) + after)
    assert path.stat().st_size > 190_000_000
    script = (
        "import json, resource, sys, time; from rowreckon.intake import read_path\n"
        "start = time.process_time(); json.loads(open(sys.argv[1]).read()); base = time.process_time() - start\n"
        "start = time.process_time(); found = read_path(sys.argv[1]); took = time.process_time() - start\n"
        "print(len(found), took, base, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    told = subprocess.run([sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=True).stdout
    count, took, base, peak = (float(part) for part in told.split())
    print(f"200 MB: {took:.1f} s, json.loads {base:.1f} s, peak {peak / 1024:.0f} MB")

    assert count == 1
    assert took < 1 + 5 * base
    assert peak / 1024 < 40 * 200
    command = [sys.executable, "-m", "rowreckon", "audit", str(path), "--max-bytes", "1000000"]
    refused = subprocess.run(command, capture_output=True, text=True, check=False)
    assert refused.returncode == 2
    assert "limit" in refused.stderr
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss > 0
