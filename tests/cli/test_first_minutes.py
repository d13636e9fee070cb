"""What a new user meets first: what is no plan is named in a line or two, and what is one is read as it was pasted."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path

import pytest

from rowreckon import audit, read_text, render
from rowreckon.capture import Capture
from rowreckon.errors import UsageError
from tests.cli.running import SAMPLES, rowreckon

TEXT = (SAMPLES / "stale-statistics.13.txt").read_text("utf-8")
JSON = (SAMPLES / "stale-statistics.18.json").read_text("utf-8")
NOT_RUN = "Seq Scan on huts  (cost=0.00..35.50 rows=2550 width=4)\n"


def _cut_within_figures(width: int) -> str:
    return "\n".join(line[:width] for line in TEXT.splitlines())


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("list.sql", "select 1;\nselect name from huts;\n", "is SQL, not a plan"),
        ("list.txt", "select 1;\nselect name from huts;\n", "is SQL, not a plan"),
        ("estimates.txt", NOT_RUN, "without ANALYZE"),
        ("estimates.json", '[{"Plan": {"Node Type": "Seq Scan", "Plan Rows": 9}}]', "without ANALYZE"),
        ("cut.json", JSON[:2000], "cut off here"),
        ("cut.txt", "\n".join(TEXT.splitlines()[:8]), "cut off: a Sort has an input, here is none"),
        ("limit.txt", _cut_within_figures(60), "a line limit of the terminal or client cut it off"),
    ],
)
def test_what_is_no_whole_plan_is_named_in_two_lines(tmp_path: Path, name: str, content: str, said: str) -> None:
    """Status 2, no report, no traceback."""
    path = tmp_path / name
    path.write_text(content, "utf-8")
    done = rowreckon("audit", str(path))

    assert done.returncode == 2
    assert done.stdout == ""
    assert said in done.stderr
    assert len(textwrap.wrap(done.stderr.replace(str(tmp_path), ""), 120)) <= 2


def test_a_misspelt_path_is_named_in_one_line() -> None:
    """With what to do."""
    done = rowreckon("audit", "plan.jsn")

    assert (done.returncode, done.stdout) == (2, "")
    assert (
        done.stderr == "rowreckon: plan.jsn: there is no such file; check the path, or give - to read standard input\n"
    )


def test_a_machine_still_gets_its_document() -> None:
    """JSON names what could not be read, where a terminal gets no report."""
    done = rowreckon("audit", "plan.jsn", "--format", "json")

    assert done.returncode == 2
    assert json.loads(done.stdout)["rejected"][0]["source"] == "plan.jsn"


def _folded(text: str, width: int) -> str:
    """Broken at a column, as `fold -w` does it."""
    return "\n".join(line[at : at + width] for line in text.splitlines() for at in range(0, max(len(line), 1), width))


@pytest.mark.parametrize(
    ("mangled", "plain"),
    [
        (JSON.replace("\n  }\n]", ",\n  }\n]"), JSON),
        (json.dumps(JSON), JSON),
        ("".join(f"| {line} |\n" for line in TEXT.splitlines()), TEXT),
        (_folded(TEXT, 80), TEXT),
        (_folded(TEXT, 60), TEXT),
    ],
    ids=["comma", "string", "borders", "80 columns", "60 columns"],
)
def test_a_pasted_plan_is_read_as_it_was(mangled: str, plain: str) -> None:
    """Node by node like the plan that nobody touched."""
    assert mangled != plain
    assert audit(mangled, curves=False).plans[0].nodes == audit(plain, curves=False).plans[0].nodes


def test_audit_takes_text_paths_and_captures() -> None:
    """All of them give the same plan."""
    path = SAMPLES / "stale-statistics.18.json"
    nodes = audit(JSON, curves=False).plans[0].nodes
    captures = [item for item in read_text(JSON) if isinstance(item, Capture)]

    assert nodes
    for given in (path, str(path), JSON.encode(), captures, captures[0]):
        assert audit(given, curves=False).plans[0].nodes == nodes


def test_a_path_that_is_not_there_is_no_plan() -> None:
    """From Python too the report names it."""
    assert "there is no such file" in audit("plan.jsn").rejected[0].reason


def test_an_unknown_format_is_an_error() -> None:
    """And the message names those that there are."""
    with pytest.raises(UsageError, match="there is no format 'pdf'"):
        render(audit(TEXT), "pdf")  # type: ignore[arg-type]


def test_the_shell_completes_commands_and_options() -> None:
    """As bash asks for it, by typer's own protocol."""
    for words, index, expected in (("rowreckon com", "1", "compare"), ("rowreckon audit --thr", "2", "--threshold")):
        done = rowreckon(_ROWRECKON_COMPLETE="complete_bash", COMP_WORDS=words, COMP_CWORD=index)
        assert done.stdout.split() == [expected]
