"""Files of parameters that try to run SQL, name paths, read files or lift guards."""

from __future__ import annotations

from pathlib import Path

import pytest

from .house import SECRET, House
from .parameters import LIST, MEDDLING, VALUES
from .tool import Watch, rowreckon, sweep_folder


def beside(folder: Path, number: int, text: str, yard: Path) -> None:
    """A list and its parameters; only the queries that have some are in it."""
    named = [part for part in LIST.split("-- name: ") if part and f"[{part.split()[0]}]" in text]
    (folder / f"{number:03d}.sql").write_text("".join(f"-- name: {part}" for part in named) or LIST)
    (folder / f"{number:03d}.toml").write_text(text.replace("<YARD>", str(yard)))


def test_values(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """A value is a value: wrong ones fail at the server, all others are compared with, and twins run."""
    lists = tmp_path / "lists"
    lists.mkdir()
    for number, (hostile, twin) in enumerate(VALUES.values()):
        beside(lists, 2 * number, hostile, newest_house.yard)
        beside(lists, 2 * number + 1, twin, newest_house.yard)
    saved = tmp_path / "deep" / "saved"
    done = sweep_folder(newest_house, lists, "--save", str(saved))
    watch.unchanged()
    assert "division by zero" not in done.text
    assert all(path == saved or saved in path.parents for path in (tmp_path / "deep").rglob("*"))
    wanted = len(VALUES) + 1  # one twin has two sets of values
    ran = [plan for plan in done.plans if "snare" not in plan["source"] and plan["outcome"] == "ran"]
    assert len(ran) >= wanted, done.stderr
    assert {plan["outcome"] for plan in done.plans} <= {"ran", "failed"}


@pytest.mark.parametrize(
    ("step", "privileged"),
    [
        pytest.param(4, False, id="sample"),
        pytest.param(1, False, id="keeper", marks=pytest.mark.full),
        pytest.param(1, True, id="warden", marks=pytest.mark.full),
    ],
)
def test_words_that_parameters_have_not(
    newest_house: House, watch: Watch, tmp_path: Path, step: int, privileged: bool
) -> None:
    """Settings, roles, flags, connections, queries: each file is named as wrong, status 2, and nothing comes of it."""
    for number, text in enumerate(list(MEDDLING.values())[::step]):
        folder = tmp_path / str(number)
        folder.mkdir()
        beside(folder, 0, text, newest_house.yard)
        done = sweep_folder(newest_house, folder, privileged=privileged)
        assert done.status == 2, text
        assert "Traceback" not in done.stderr
        assert "division by zero" not in done.text
        assert "000.toml" in done.stderr, text
        assert not done.plans
    watch.unchanged()


def test_what_is_no_file_of_parameters(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """A link to a secret shows nothing of it; a pipe and an endless device are not waited for."""
    secret = tmp_path / "secret"
    secret.write_text(f"keeper:{SECRET}:1\n")
    lists = tmp_path / "lists"
    lists.mkdir()
    for number, target in enumerate((str(secret), "/dev/zero", "/dev/stdin", str(tmp_path))):
        (lists / f"{number}.sql").write_text("-- name: number\nselect n from trio where n > $1;\n")
        (lists / f"{number}.toml").symlink_to(target)
    for path in sorted(lists.glob("*.sql")):
        done = rowreckon("sweep", str(path), "--dsn", newest_house.keeper)
        assert done.returncode == 2
        assert "Traceback" not in done.stderr
        assert SECRET not in done.stdout + done.stderr
    watch.unchanged()
