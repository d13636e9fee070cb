"""What is written is whole or not there, belongs to its owner where it holds data, and goes through no link."""

from __future__ import annotations

import os
import resource
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from rowreckon.archive.keep import keep_folds
from rowreckon.archive.store import FoldStore
from rowreckon.capture import Capture
from rowreckon.captures.capture_folder import CaptureFolder
from rowreckon.cli.masking import masking_of
from rowreckon.errors import UsageError
from rowreckon.files import shown, try_file, try_folder, write_in_folder, write_whole
from tests.cli.running import rowreckon

PLAN = '[{"Plan": {"Node Type": "Result", "Plan Rows": 1}}]'


def _mode(path: Path) -> int:
    return stat.S_IMODE(path.lstat().st_mode)


@contextmanager
def _umask(mask: int) -> Iterator[None]:
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


@contextmanager
def _largest_file(size: int) -> Iterator[None]:
    """No file may grow beyond `size` bytes, as on a disk that is full; Python ignores the signal that goes with it."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_who_may_read_what_is_written(tmp_path: Path) -> None:
    """Data only its owner; a report whom the umask lets, or whom its forerunner let."""
    with _umask(0o022):
        write_whole(tmp_path / "report.md", "huts")
        write_whole(tmp_path / "data", b"huts", private=True)
        (tmp_path / "tight.md").touch(mode=0o640)
        write_whole(tmp_path / "tight.md", "huts")
        write_whole(tmp_path / "report.md", "trails", private=True)

    assert (tmp_path / "tight.md").read_text() == "huts"
    assert (tmp_path / "report.md").read_text() == "trails"
    assert {p.name: oct(_mode(p)) for p in tmp_path.iterdir()} == {
        "report.md": "0o600",
        "data": "0o600",
        "tight.md": "0o640",
    }


def test_no_link_is_followed(tmp_path: Path) -> None:
    """A link at the place goes away, and what it points at stays; one laid out beside it is never met."""
    (tmp_path / "precious").write_text("precious")
    for name in ("report.md", "report.md.part"):
        (tmp_path / name).symlink_to(tmp_path / "precious")
    write_whole(tmp_path / "report.md", "huts")

    assert (tmp_path / "precious").read_text() == "precious"
    assert not (tmp_path / "report.md").is_symlink()
    assert (tmp_path / "report.md").read_text() == "huts"


def test_a_full_disk_keeps_the_old_file(tmp_path: Path) -> None:
    """One sentence, the old file whole, nothing left beside it."""
    path = tmp_path / "report.md"
    path.write_text("old")
    with _largest_file(1000), pytest.raises(UsageError, match="cannot be written"):
        write_whole(path, "x" * 100_000)
    with pytest.raises(UsageError, match="disk"):
        write_in_folder(path, _fails)

    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def _fails(path: Path) -> None:
    path.write_text("half")
    raise OSError(28, "no space left on the disk")


@pytest.mark.parametrize("name", ["no folder/a.md", "folder", "a" * 300, "a\0b", "pipe", "file/a.md"])
def test_a_place_is_tried_without_a_trace(tmp_path: Path, name: str) -> None:
    """Whatever can't be written is told before the work, and trying leaves nothing behind."""
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").touch()
    os.mkfifo(tmp_path / "pipe")
    before = sorted(tmp_path.iterdir())
    with pytest.raises(UsageError, match=r"^--report: "):
        try_file(tmp_path / name, "--report")
    with pytest.raises(UsageError):
        write_whole(tmp_path / name, "huts")
    try_file(tmp_path / "good.md", "--report")

    assert sorted(tmp_path.iterdir()) == before


def test_a_folder_is_tried_without_a_trace(tmp_path: Path) -> None:
    """A folder that is not there yet is made only when something is saved into it."""
    (tmp_path / "file").touch()
    try_folder(tmp_path / "new" / "newer", "--save")
    for wrong in ("file", "file/below", "a" * 300):
        with pytest.raises(UsageError, match=r"^--save: "):
            try_folder(tmp_path / wrong, "--save")

    assert [p.name for p in tmp_path.iterdir()] == ["file"]


def test_a_name_that_is_no_utf8() -> None:
    """It can be said."""
    assert shown(os.fsdecode(b"caf\xe9.json")) == "caf\\xe9.json"


def test_streams_are_written_as_they_are(tmp_path: Path) -> None:
    """`/dev/null` stays what it is."""
    try_file(Path("/dev/null"), "-o")
    write_whole(Path("/dev/null"), "huts", private=True)

    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)


def test_captures_keys_and_folds_are_private(tmp_path: Path) -> None:
    """Literals and sampled values stand in captures, names in keys, queries in folds and in the script to send."""
    (tmp_path / "plan.json").write_text(PLAN)
    with _umask(0o022):
        CaptureFolder(tmp_path / "captures").save(Capture(name="huts"))
        masking_of(False, tmp_path / "huts.key")
        for kept in ("folds.parquet", "folds.duckdb"):
            keep_folds(FoldStore(), tmp_path / kept)
        assert rowreckon("ask", str(tmp_path / "plan.json"), "-o", str(tmp_path / "ask.sql")).returncode == 0
        (tmp_path / "folds.duckdb").chmod(0o644)
        keep_folds(FoldStore(), tmp_path / "folds.duckdb")

    written = [p for p in tmp_path.rglob("*") if p.is_file() and p.name != "plan.json"]
    assert {p.name for p in written} == {"huts.capture.json", "huts.key", "folds.parquet", "folds.duckdb", "ask.sql"}
    assert {_mode(p) for p in written} == {0o600}


def test_a_database_is_not_written_through_a_link(tmp_path: Path) -> None:
    """Neither the database nor the journal beside it."""
    keep_folds(FoldStore(), tmp_path / "real.duckdb")
    (tmp_path / "link.duckdb").symlink_to(tmp_path / "real.duckdb")
    (tmp_path / "real.duckdb.wal").symlink_to(tmp_path / "precious")
    for name in ("link.duckdb", "real.duckdb"):
        with pytest.raises(UsageError, match="is a link"):
            keep_folds(FoldStore(), tmp_path / name)

    assert not (tmp_path / "precious").exists()


@pytest.mark.parametrize(
    "options",
    [
        ("--report", "{}/none/a.md"),
        ("--report", "{}/folder.md"),
        ("--save", "{}/plan.json"),
        ("--keep", "{}/none/a.parquet"),
        ("--keep", "{}/folder.duckdb"),
        ("--mask-names", "{}/none/a.key"),
    ],
)
def test_outputs_are_tried_before_the_work(tmp_path: Path, options: tuple[str, str]) -> None:
    """The place is refused though the input would be too: nothing was read yet."""
    (tmp_path / "plan.json").write_text("no plan")
    (tmp_path / "folder.md").mkdir()
    (tmp_path / "folder.duckdb").mkdir()
    before = sorted(tmp_path.iterdir())
    done = rowreckon("audit", str(tmp_path / "plan.json"), options[0], options[1].format(tmp_path))

    assert done.returncode == 2
    assert done.stderr.startswith(f"rowreckon: {options[0]}")
    assert done.stderr.count("\n") == 1
    assert sorted(tmp_path.iterdir()) == before
