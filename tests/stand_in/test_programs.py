"""Where a stand-in's server programs are found: in the folder that is named, and without one in the usual places."""

from __future__ import annotations

from pathlib import Path

import pytest

from rowreckon import releases
from rowreckon.errors import CannotStart
from rowreckon.server.own.binaries import wheel_root
from rowreckon.server.stand_in import programs


def installed(root: Path) -> Path:
    """A folder with something under the names of server programs."""
    (root / "bin").mkdir(parents=True)
    for name in ("postgres", "initdb"):
        (root / "bin" / name).touch()
    return root


@pytest.fixture
def bare(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A machine with an empty cache folder, search path and package folders; where these are."""
    monkeypatch.setattr(programs, "cache_folder", lambda: tmp_path / "cache")
    monkeypatch.setattr(programs, "PACKAGED", (str(tmp_path / "packages" / "{major}"),))
    monkeypatch.setenv("PATH", str(tmp_path / "path"))
    (tmp_path / "path").mkdir()
    return tmp_path


def pg_config(bare: Path, version: str, folder: Path) -> None:
    """A `pg_config` on the search path, which prints as PostgreSQL's does (its documentation, 'pg_config')."""
    program = bare / "path" / "pg_config"
    program.write_text(f"#!/bin/sh\necho '{version}'\necho '{folder}'\n")
    program.chmod(0o755)


def test_the_folder_that_is_named(bare: Path) -> None:
    """It holds an installation by release, or is one; no other place is looked at."""
    by_release = installed(bare / "named" / "15")
    assert programs.installation(15, bare / "named") == by_release
    assert programs.installation(15, by_release) == by_release
    installed(bare / "packages" / "14")
    with pytest.raises(CannotStart, match="PostgreSQL 14 are in") as refused:
        programs.installation(14, bare / "named")
    assert "\n" not in refused.value.sentence()


def test_the_usual_places(bare: Path) -> None:
    """Packages' folders, before them `pg_config`'s, before it the cache folder."""
    assert programs.installation(14, installed(bare / "packages" / "14").parent) == bare / "packages" / "14"
    assert programs.installation(14) == bare / "packages" / "14"
    told = installed(bare / "told")
    pg_config(bare, "PostgreSQL 14.11 (Some 14.11-1)", told / "bin")
    assert programs.installation(14) == told
    kept = installed(bare / "cache" / "matrix" / "14")
    assert programs.installation(14) == kept


@pytest.mark.parametrize("version", ["PostgreSQL 15.2", "PostgreSQL 1.4", "no version", ""])
def test_another_release_is_not_taken(bare: Path, version: str) -> None:
    """What `pg_config` tells of counts for its own release only."""
    pg_config(bare, version, installed(bare / "told") / "bin")
    with pytest.raises(CannotStart, match="PostgreSQL 14 are on this machine") as refused:
        programs.installation(14)
    assert "--servers" in refused.value.sentence()


def test_a_program_that_fails_is_passed_over(bare: Path) -> None:
    """One that can't be run, and one that ends with an error."""
    (bare / "path" / "pg_config").write_text("#!/no/such/program\n")
    (bare / "path" / "pg_config").chmod(0o755)
    assert programs.installation(16, installed(bare / "packages" / "16")) == bare / "packages" / "16"
    assert programs.installation(16) == bare / "packages" / "16"


def test_the_newest_comes_with_the_wheel(bare: Path) -> None:
    """Before what is installed, and where nothing else is."""
    installed(bare / "packages" / str(releases.NEWEST))
    assert programs.installation(releases.NEWEST) == wheel_root()
