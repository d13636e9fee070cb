"""Ctrl-C, SIGTERM, SIGHUP and readers that go away, at steps that the tests choose: what is done is kept."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import rowreckon
from tests.cli.running import SAMPLES

NUMBERS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]
PLANS = sorted(str(path) for path in SAMPLES.glob("*.18.json"))[:6]

# Where a step is, and how a signal to itself is put into it: the process sends it at exactly that moment.
STEPS = {
    "reading": ("rowreckon.intake", "read_text", 3),
    "auditing": ("rowreckon.auditing", "audit_capture", 3),
    "printing": ("rowreckon.report.formats.terminal", "render_terminal", 1),
    "writing": ("rowreckon.report.formats.html", "render_html", 1),
}
HOOK = """
import importlib, os
module, name, turn, number = {step!r}
place = importlib.import_module(module)
whole = getattr(place, name)
calls = []
def interrupted(*arguments, **options):
    calls.append(1)
    if len(calls) == turn:
        os.kill(os.getpid(), number)
    return whole(*arguments, **options)
setattr(place, name, interrupted)
"""


def started(tmp_path: Path, hook: str, arguments: list[str], stdout: int = subprocess.PIPE) -> subprocess.Popen[str]:
    """The command with a hook that runs before it, and signals as a terminal leaves them."""
    (tmp_path / "sitecustomize.py").write_text(hook)
    path = f"{tmp_path}:{Path(rowreckon.__file__).parents[1]}"
    return subprocess.Popen(
        [sys.executable, "-m", "rowreckon", *arguments],
        stdin=subprocess.DEVNULL,
        stdout=stdout,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": path},
        preexec_fn=lambda: [signal.signal(number, signal.SIG_DFL) for number in NUMBERS],
    )


@pytest.mark.parametrize("number", NUMBERS)
@pytest.mark.parametrize("step", STEPS)
def test_a_signal_at_a_step_of_an_audit(step: str, number: signal.Signals, tmp_path: Path) -> None:
    """The reports are whole, hold what was done, name what was not, and the status is the signal's."""
    page, document = tmp_path / "r.html", tmp_path / "r.json"
    hook = HOOK.format(step=(*STEPS[step], int(number)))
    process = started(tmp_path, hook, ["audit", *PLANS, "--report", str(page), "--report", str(document)])
    out, errors = process.communicate(timeout=300)
    assert process.returncode == 128 + number, errors
    assert "Traceback" not in errors
    told = json.loads(document.read_text())
    assert page.read_text().rstrip().endswith("</html>")
    assert "Cautions" in out
    assert {plan["source"] for plan in told["plans"]} | {item["source"] for item in told["rejected"]} == set(PLANS)
    if step in STEPS and STEPS[step][2] > 1:
        assert 0 < len(told["plans"]) < len(PLANS)
        assert all("interrupted" in item["reason"] for item in told["rejected"])
    else:
        assert len(told["plans"]) == len(PLANS)
    assert "interrupted" in errors


def test_a_second_signal_ends_the_process_at_once(tmp_path: Path) -> None:
    """While the report is written, some time after the first: the status is the signal's, no report."""
    hook = HOOK.format(step=("rowreckon.auditing", "audit_capture", 2, int(signal.SIGINT))) + (
        "import time\n"
        "import rowreckon.report.formats.html as html\n"
        "def stuck(*a, **k):\n"
        "    time.sleep(1)\n"
        "    os.kill(os.getpid(), 2)\n"
        "    time.sleep(1000)\n"
        "html.render_html = stuck\n"
    )
    page = tmp_path / "r.html"
    process = started(tmp_path, hook, ["audit", *PLANS, "--report", str(page)])
    _, errors = process.communicate(timeout=300)
    assert process.returncode == 130
    assert "ended at once" in errors
    assert not page.exists()


def test_a_signal_that_was_ignored_stays_ignored(tmp_path: Path) -> None:
    """As `nohup` leaves SIGHUP."""
    hook = "import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN)\n" + HOOK.format(
        step=("rowreckon.auditing", "audit_capture", 2, int(signal.SIGHUP))
    )
    process = started(tmp_path, hook, ["audit", *PLANS])
    _, errors = process.communicate(timeout=300)
    assert process.returncode == 0, errors


@pytest.mark.parametrize("form", ["terminal", "json", "markdown"])
def test_a_reader_that_goes_away(form: str, tmp_path: Path) -> None:
    """`| head`: nothing is said, the status is the audit's, the files are written."""
    read, write = os.pipe()
    os.close(read)
    report = tmp_path / "r.md"
    arguments = ["audit", *PLANS, "--format", form, "--report", str(report), "--fail-on", "crossed"]
    process = started(tmp_path, "", arguments, stdout=write)
    os.close(write)
    _, errors = process.communicate(timeout=300)
    assert process.returncode == 1
    assert errors == ""
    assert "Audit of PostgreSQL plans" in report.read_text()


def test_a_full_disk_under_standard_output(tmp_path: Path) -> None:
    """One sentence, status 2, and the report elsewhere is written."""
    report = tmp_path / "r.md"
    with Path("/dev/full").open("w") as full:
        process = started(tmp_path, "", ["audit", *PLANS, "--report", str(report)], stdout=full.fileno())
        _, errors = process.communicate(timeout=300)
    assert process.returncode == 2
    assert errors == "rowreckon: standard output cannot be written: No space left on device\n"
    assert report.exists()


@pytest.mark.parametrize(
    "words", ["guide plans", "schema", "--help", f"audit {PLANS[0]} --format json", f"ask {PLANS[0]}"]
)
def test_a_full_disk_under_what_else_is_printed(words: str, tmp_path: Path) -> None:
    """The same sentence and status, whatever is printed."""
    with Path("/dev/full").open("w") as full:
        process = started(tmp_path, "", words.split(), stdout=full.fileno())
        _, errors = process.communicate(timeout=300)
    assert process.returncode == 2
    assert errors == "rowreckon: standard output cannot be written: No space left on device\n"


@pytest.mark.parametrize("closed", ["0", "1", "2"])
def test_a_standard_stream_that_is_closed(closed: str, tmp_path: Path) -> None:
    """`<&-`, `>&-` and `2>&-` are no errors, and no file of ours is taken for the stream."""
    report = tmp_path / "r.md"
    command = f'exec {closed}>&-; "$@"'
    done = subprocess.run(
        ["sh", "-c", command, "sh", sys.executable, "-m", "rowreckon", "audit", *PLANS, "--report", str(report)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert report.read_text().startswith("# Audit")
