"""The exit status: one place decides it, from what happened; README's section names the statuses."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest

import rowreckon as package
from rowreckon.cli.running.status import Happened, exit_status, in_audit
from rowreckon.document.audit import (
    Audit,
    NotTried,
    Plan,
    Rejected,
    Remedy,
    Summary,
    Trial,
    TrialAccount,
)
from tests.cli.running import SAMPLES, rowreckon

PLAN = str(SAMPLES / "limit.18.json")
CROSSED = str(SAMPLES / "correlated-columns.18.json")
SOURCES = Path(package.__file__).parent / "cli"


@pytest.mark.parametrize(
    ("failing", "undone", "defects", "signal"),
    list(itertools.product([False, True], [[], ["not read"]], [[], ["a defect"]], [None, 2, 15, 1])),
)
def test_what_outranks_what(failing: bool, undone: list[str], defects: list[str], signal: int | None) -> None:
    """Signals as shells count them; then 3, 2, 1, 0."""
    expected = 128 + signal if signal else 3 if defects else 2 if undone else 1 if failing else 0
    assert exit_status(Happened(failing, list(undone), list(defects), signal)) == expected


def _audit(**parts: object) -> Audit:
    return Audit.model_validate({"tool_version": "1", "summary": Summary(), **parts})


def _remedy(verdict: str) -> Remedy:
    trial = Trial.model_validate({"where": "copy", "verdict": verdict})
    return Remedy(rank=1, kind="other", sql=("ANALYZE t",), transactional=True, confidence=1, reason="", trial=trial)


@pytest.mark.parametrize("outcome", ["timed_out", "failed", "refused", "skipped"])
def test_a_query_without_a_verdict_is_named(outcome: str) -> None:
    """With its line and reason; a query that ran is not."""
    done = Plan(source="good", analyzed=True)
    lost = Plan.model_validate({"source": "bad", "analyzed": False, "outcome": outcome, "line": 7, "reason": "so"})
    happened = in_audit(_audit(plans=(done, lost)), failing=False)
    assert happened.undone == [f"bad, line 7: {outcome.replace('_', ' ')}: so"]
    assert exit_status(happened) == 2


def test_changes_that_were_not_tried_are_named() -> None:
    """Those that were left, and those that the server did not take; not those with a verdict."""
    left = TrialAccount(where="copy", not_tried=(NotTried(rank=3, reason="no time"),))
    assert in_audit(_audit(trials=left), failing=False).undone == ["change 3 was not tried: no time"]
    assert len(in_audit(_audit(remedies=(_remedy("not_applied"),)), failing=False).undone) == 1
    for verdict in ("helped", "no_effect", "harmed", "inconclusive"):
        assert exit_status(in_audit(_audit(remedies=(_remedy(verdict),)), failing=False)) == 0


def test_a_defect_in_one_plan_is_no_fault_of_the_input() -> None:
    """3 beside an input that was not read."""
    rejected = (Rejected(source="a", reason="no plan"), Rejected(source="b", reason="a defect", defect=True))
    assert exit_status(in_audit(_audit(rejected=rejected), failing=True)) == 3


def test_no_command_decides_a_status_of_its_own() -> None:
    """`typer.Exit` with a number, `sys.exit` and `os._exit` stand nowhere else."""
    for path in SOURCES.rglob("*.py"):
        text = path.read_text()
        assert not re.search(r"\bExit\(|os\._exit|SystemExit\(", text), path
        assert text.count("sys.exit(") == (path == SOURCES / "__init__.py"), path


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (("audit", PLAN), 0),
        (("audit", CROSSED), 0),
        (("audit", CROSSED, "--fail-on", "crossed"), 1),
        (("audit", CROSSED, "--fail-on", "held"), 0),
        (("audit", CROSSED, "missing.json", "--fail-on", "crossed"), 2),
        (("compare", CROSSED, CROSSED, "--fail-on", "difference"), 0),
        (("compare", CROSSED, PLAN, "--fail-on", "outcome"), 0),
        (("compare", CROSSED, "missing.json"), 2),
        (("ask", CROSSED), 0),
        (("ask", CROSSED, "missing.json"), 2),
        (("schema",), 0),
        (("cause",), 0),
        (("cause", "weather"), 2),
        (("--version",), 0),
        (("--help",), 0),
        (("audit", "--help"), 0),
        ((), 2),
        (("unmask", "missing.key", PLAN), 2),
        (("sweep", "missing.sql"), 2),
        (("check", "--dsn", "host=127.0.0.1 port=1"), 2),
        (("trial", "missing.sql"), 2),
        (("audit", PLAN, "--save", ""), 2),
        (("audit", ""), 2),
        (("audit", PLAN, "--fail-on="), 2),
        (("audit", PLAN, "--threshold", "1e999"), 2),
        (("audit", PLAN, "--threshold", "nan"), 2),
        (("audit", PLAN, "--max-bytes", "9" * 40), 2),
        (("audit", PLAN, "--jobs", "9" * 9), 2),
        (("sweep", PLAN, "--time-limit", "9" * 400 + "h"), 2),
        (("audit", "\udcff\udcfe.json"), 2),
        (("no-such-command",), 2),
        (("audit", "--no-such-option"), 2),
    ],
    ids=lambda value: " ".join(value)[:50] if isinstance(value, tuple) else str(value),
)  # fmt: skip
def test_commands_end_with(arguments: tuple[str, ...], status: int) -> None:
    """Bad words too, each in sentences of ours and never a traceback."""
    done = rowreckon(*arguments)
    assert done.returncode == status, done.stderr
    assert "Traceback" not in done.stderr + done.stdout
    if status == 2:
        assert done.stderr.splitlines()[-1].startswith("rowreckon: ")


def test_an_unforeseen_exception_is_a_defect(tmp_path: Path) -> None:
    """Status 3 and one sentence that says where; the traceback only where it is asked for; nothing of the data."""
    hook = tmp_path / "sitecustomize.py"
    hook.write_text(
        "import rowreckon.cli.inputs as inputs\n"
        "def read_inputs(*a, **k):\n    raise KeyError('a secret of the plan')\n"
        "inputs.read_inputs = read_inputs\n"
    )
    path = f"{tmp_path}:{Path(package.__file__).parents[1]}"
    done = rowreckon("audit", PLAN, PYTHONPATH=path)
    assert done.returncode == 3
    assert re.fullmatch(r"rowreckon: a defect of rowreckon: KeyError in [^\n]+\n", done.stderr)
    assert "secret" not in done.stderr
    full = rowreckon("audit", PLAN, PYTHONPATH=path, ROWRECKON_TRACEBACK="1")
    assert full.returncode == 3
    assert "Traceback" in full.stderr


def test_a_defect_in_one_plan_keeps_the_others(tmp_path: Path) -> None:
    """The other plans are audited, the defect is named beside them, and the status is 3."""
    hook = tmp_path / "sitecustomize.py"
    hook.write_text(
        "import rowreckon.auditing as auditing\n"
        "whole = auditing.audit_capture\n"
        "def audit_capture(capture, **k):\n"
        "    if 'limit' in capture.name:\n        raise ZeroDivisionError('a secret of the plan')\n"
        "    return whole(capture, **k)\n"
        "auditing.audit_capture = audit_capture\n"
    )
    path = f"{tmp_path}:{Path(package.__file__).parents[1]}"
    done = rowreckon("audit", PLAN, CROSSED, "--fail-on", "crossed", PYTHONPATH=path)
    assert done.returncode == 3
    assert done.stdout.startswith("Crossed")  # the report on the plan that could be audited
    assert "ZeroDivisionError" in done.stderr
    assert "secret" not in done.stderr + done.stdout
