"""What is too large is refused in one sentence, wherever it comes from, and the other inputs are read all the same."""

from __future__ import annotations

import gzip
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from rowreckon.archive.audit import audit_archive
from rowreckon.archive.work import Options
from rowreckon.bounded import MOST_SETTINGS, read_toml
from rowreckon.capture import Capture
from rowreckon.document.audit import Rejected
from rowreckon.errors import InputTooLarge, UsageError
from rowreckon.intake import read_path, read_text
from rowreckon.reading import RawPlan, read_plans
from rowreckon.reading.explain_text import plans
from rowreckon.reading.limits import Limits
from rowreckon.reading.logs.plans import read_log
from rowreckon.reading.raw import Rejected as UnreadPlace
from tests.cli.running import rowreckon

PLAN = json.dumps([{"Plan": {"Node Type": "Result", "Plan Rows": 1}}])
LARGE = " " * 3000 + PLAN
SMALL = Limits(max_bytes=2000)


NODE = "Result  (cost=0.00..0.01 rows=1 width=4)\n"
SETTINGS = ", ".join(f"s{number} = '1'" for number in range(20_000))


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (f"{NODE}  Output: {'a, ' * 20_000}a\n", "entries in one list"),
        (f"{NODE}Settings: {SETTINGS}\n", "settings"),
        ("\n" * 200_000 + "Result  (cost=0.00..0.01 rows=1 width=4)", "lines"),
        ("Sort  (cost=0.00..0.01 rows=1 width=4)\n" + "  Filter: a\n" * 60_000, "lines in one plan"),
        (f'{{"Plan": {{"Node Type": "Result", "a": [{"[]," * 200_000}0]}}}}', "values"),
        (f'{{"Plan": {{"Node Type": "Append", "Plans": [{"{}," * 20_000}{{}}]}}}}', "plan nodes"),
        (f"<explain><Query><Plan>{'<Item/>' * 300_000}</Plan></Query></explain>", "elements"),
        (f"- Plan: \n    Node Type: [{'[],' * 200_000}]\n", "values"),
        ("ä" * 900_000 + "\U0001f3d4", "bytes"),
    ],
)
def test_dense_texts_are_refused(text: str, what: str) -> None:
    """What would take far more memory than its bytes is refused though it is under the limit of bytes."""
    with pytest.raises(InputTooLarge, match=what):
        read_plans(text, limits=Limits(max_bytes=3_000_000))


def test_plans_behind_the_limit_are_not_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """Counting goes along with reading: what is refused costs no more than what is taken."""
    read: list[int] = []
    whole = plans.read_text_plan

    def counted(*arguments: Any) -> Any:
        read.append(1)
        return whole(*arguments)

    monkeypatch.setattr(plans, "read_text_plan", counted)
    with pytest.raises(InputTooLarge, match="20 plans"):
        read_plans(NODE * 5_000, limits=Limits(max_plans=20))
    assert len(read) == 21


def test_the_defaults_take_a_large_plan() -> None:
    """Ten thousand nodes of the usual keys, and a literal of five megabytes."""
    node = {"Node Type": "Seq Scan", "Relation Name": "huts", "Alias": "huts", "Plan Rows": 1, "Actual Rows": 1}
    plan = {"Node Type": "Append", "Plan Rows": 1, "Plans": [node] * 10_000}
    literal = {"Node Type": "Seq Scan", "Filter": f"(name = '{'x' * 5_000_000}'::text)"}
    (one,) = read_text(json.dumps([{"Plan": plan}]))
    (other,) = read_text(json.dumps([{"Plan": literal}]))

    assert isinstance(one, Capture)
    assert isinstance(other, Capture)


def test_files_and_what_is_packed(tmp_path: Path) -> None:
    """A file over the limit, before and after unpacking; its neighbour is read."""
    (tmp_path / "large.json").write_text(LARGE)
    (tmp_path / "small.json").write_text(PLAN)
    with gzip.open(tmp_path / "packed.json.gz", "wb") as packed:
        packed.write(LARGE.encode())
    large, small = read_path(tmp_path, limits=SMALL)
    folded = audit_archive([str(tmp_path)], Options(limits=SMALL))

    assert isinstance(large, Rejected)
    assert "2,000 bytes" in large.reason
    assert isinstance(small, Capture)
    assert [Path(each.source).name for each in folded.rejected] == ["large.json", "packed.json.gz"]
    assert all("2,000 bytes" in each.reason for each in folded.rejected)
    assert folded.summary.plans == 1


def test_a_packed_file_that_never_ends(tmp_path: Path) -> None:
    """A gigabyte of blanks in five megabytes: no more is unpacked than the limit, in little memory and time.

    The limits are the system's (seconds of processor time, bytes of memory), thirty times what is needed.
    """
    path = tmp_path / "blanks.log.gz"
    with gzip.open(path, "wb", compresslevel=1) as packed:
        for _ in range(1024):
            packed.write(b" " * (1 << 20))
    limits = "import resource as r; r.setrlimit(r.RLIMIT_CPU, (30, 30)); r.setrlimit(r.RLIMIT_DATA, (2 << 30, 2 << 30))"
    code = f"{limits}; from rowreckon.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "audit", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 2, done.stderr
    assert "more than 67,108,864 bytes" in done.stderr


@pytest.mark.parametrize("name", ["standard input", "--facts", "--baseline"])
def test_the_command_holds_its_limit_everywhere(tmp_path: Path, name: str) -> None:
    """`--max-bytes` goes for what other options read, too."""
    (tmp_path / "plan.json").write_text(PLAN)
    (tmp_path / "large").write_text(LARGE)
    options = {
        "standard input": ("-",),
        "--facts": (str(tmp_path / "plan.json"), "--facts", str(tmp_path / "large")),
        "--baseline": (str(tmp_path / "plan.json"), "--fail-on", "crossed", "--baseline", str(tmp_path / "large")),
    }[name]
    done = rowreckon("audit", *options, "--max-bytes", "2000", stdin=LARGE)

    assert done.returncode == 2
    assert "more than 2,000 bytes" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "text", ["a = " + "[" * 5000, "a = " + "9" * 5000, "a", "a = 1\na = 2", "\ud800", "a." * 5000 + "a = 1"]
)
def test_tables_that_are_none(tmp_path: Path, text: str) -> None:
    """Nested five thousand deep, or a number that Python refuses to read: one sentence."""
    path = tmp_path / "config.toml"
    path.write_text(text, errors="surrogatepass")
    done = rowreckon("check", "--dsn", "host=/nowhere", ROWRECKON_CONFIG=str(path))

    assert done.returncode == 2
    assert done.stderr.startswith("rowreckon: the configuration")
    assert done.stderr.count("\n") == 1


def test_tables_that_are_too_long(tmp_path: Path) -> None:
    """Nobody writes megabytes of settings."""
    (tmp_path / "config.toml").write_text(" " * (MOST_SETTINGS + 1))
    with pytest.raises(InputTooLarge, match="the configuration has more than"):
        read_toml(tmp_path / "config.toml", "the configuration")
    (tmp_path / "config.toml").write_text("a = ")
    with pytest.raises(UsageError, match="no TOML"):
        read_toml(tmp_path / "config.toml", "the configuration")


@pytest.mark.parametrize("form", ["json", "terminal", "markdown"])
def test_a_name_that_is_no_utf8(tmp_path: Path, form: str) -> None:
    """The file is read, and its name written out where it is said."""
    counted = {"Actual Rows": 1, "Actual Loops": 1, "Actual Startup Time": 0.1, "Actual Total Time": 0.1}
    plan = json.dumps([{"Plan": {"Node Type": "Result", "Plan Rows": 1, **counted}}]).encode()
    for name in (b"h\xfctte.json", b"h\xfctte.json.gz"):
        path = os.fsencode(tmp_path) + b"/" + name
        content = gzip.compress(plan) if name.endswith(b"gz") else plan
        Path(os.fsdecode(path)).write_bytes(content)
        done = rowreckon("audit", os.fsdecode(path), "--format", form)

        assert done.returncode == 0, done.stderr
        assert done.stdout.isprintable() or "\n" in done.stdout
        if form == "json":
            assert json.loads(done.stdout)["plans"][0]["source"].endswith(os.fsdecode(name).replace("\udcfc", "\\xfc"))


def test_an_entry_that_is_too_long() -> None:
    """It is refused by its length, and those behind it are read."""
    head = "2026-07-01 00:00:00.000 UTC [7] LOG:  duration: 1.0 ms  plan:\n\t"
    plan = json.dumps({"Query Text": "select 1", "Plan": {"Node Type": "Result"}})
    found = read_plans(f"{head}{'x' * 5000}\n{head}{plan}\n", limits=Limits(max_bytes=10_000))
    short = list(read_log(io.BytesIO(f"{head}{'x' * 5000}\n{head}{plan}\n".encode()), limits=SMALL))

    assert [type(each).__name__ for each in found] == ["Rejected", "RawPlan"]
    assert isinstance(short[0], UnreadPlace)
    assert short[0].reason == "the entry is longer than 2,000 bytes, the limit"
    assert isinstance(short[-1], RawPlan)
