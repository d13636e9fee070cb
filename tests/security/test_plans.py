"""Hostile plan files with a server at hand: it does nothing but read catalogs about the relations that they name."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import psycopg
import pytest

from .house import HIDDEN_ROW, SECRET, House
from .plans import PlanFile, expressions, names, plan, relations, settings
from .snapshot import holds, snapshot
from .tool import Watch, rowreckon, with_privilege

WAYS = {
    "keeper": ("", False),
    "keeper, backslashes escape": ("-c standard_conforming_strings=off -c constraint_exclusion=on", False),
    "warden, shadowed": ("-c standard_conforming_strings=off -c search_path=shadow,pg_catalog,public", True),
}


def files(*, twin: bool, every: bool = False) -> list[PlanFile]:
    """All kinds of hostile plan, or their twins."""
    return [
        *expressions(twin=twin, every=every),
        *names(twin=twin, every=every),
        *settings(twin=twin),
        *relations(twin=twin),
    ]


def place(house: House, bystander: psycopg.Connection[Any] | None) -> dict[str, str]:
    """What the marks in the texts stand for."""
    return {"YARD": str(house.yard), "PID": str(bystander.info.backend_pid if bystander else 1)}


def written(folder: Path, plans: list[PlanFile], filled: dict[str, str]) -> list[str]:
    """The files' paths."""
    folder.mkdir()
    return [str(one.write(folder, filled)) for one in plans]


def audited(house: House, paths: list[str], *options: str, pgoptions: str = "", privileged: bool = False) -> str:
    """Audit them with the server at hand; gives what was printed, which is the audit's JSON."""
    more = with_privilege("audit") if privileged else []
    done = rowreckon(
        "audit",
        *paths,
        "--dsn",
        f"{house.warden if privileged else house.keeper} options='{pgoptions}'",
        "--format",
        "json",
        *more,
        *options,
    )
    assert "Traceback" not in done.stderr, done.stderr[-3000:]
    assert done.returncode in (0, 2), done.stderr[-3000:]
    return done.stdout


@pytest.mark.parametrize(
    ("way", "step"),
    [
        pytest.param("warden, shadowed", 2, id="sample"),
        *(pytest.param(way, 1, id=way, marks=pytest.mark.full) for way in WAYS),
    ],
)
def test_files(
    newest_house: House, watch: Watch, bystander: psycopg.Connection[Any], tmp_path: Path, way: str, step: int
) -> None:
    """Nothing changes, nothing is called, no forbidden value comes out to the keeper."""
    plans = files(twin=False)
    assert len(plans) >= 200
    plans = plans[::step]
    paths = written(tmp_path / "plans", plans, place(newest_house, bystander))
    options, privileged = WAYS[way]
    printed = audited(newest_house, paths, "--save", str(tmp_path / "saved"), pgoptions=options, privileged=privileged)
    watch.unchanged()
    if not privileged:
        assert SECRET not in printed
        assert HIDDEN_ROW not in printed
        assert not holds(tmp_path / "saved", (SECRET, HIDDEN_ROW))


def test_values_are_asked_for(
    newest_house: House, watch: Watch, bystander: psycopg.Connection[Any], tmp_path: Path
) -> None:
    """With --with-values: what the role may not read, or a policy hides, stays unread."""
    paths = written(tmp_path / "plans", [*relations(twin=False)], place(newest_house, bystander))
    printed = audited(newest_house, paths, "--save", str(tmp_path / "saved"), "--with-values")
    watch.unchanged()
    assert SECRET not in printed
    assert not holds(tmp_path / "saved", (SECRET, HIDDEN_ROW))


def saved_catalogs(folder: Path) -> dict[str, dict[str, Any]]:
    """The facts of each saved capture, by the plan file's name."""
    captures = [json.loads(path.read_text()) for path in folder.iterdir()]
    return {capture["name"]: capture["catalog"] for capture in captures}


def check_twins(house: House, folder: Path, filled: dict[str, str], step: int = 1) -> None:
    """Twins whose place is one that a server is asked about get their estimates; all are audited."""
    twins = [*files(twin=True)[::step], PlanFile("untouched", plan(), asked=True)]
    paths = written(folder / "plans", twins, filled)
    printed = json.loads(audited(house, paths, "--save", str(folder / "saved")))
    assert len(printed["plans"]) == len(paths)
    catalogs = saved_catalogs(folder / "saved")
    unasked = []
    for one, path in zip(twins, paths, strict=True):
        catalog = catalogs[Path(path).name]
        estimates = [estimate for estimate in catalog["relation_estimates"] if estimate["rows"] is not None]
        if one.asked and len(estimates) < 2:
            unasked.append(f"{one.name}: {[(m['what'], m['why']) for m in catalog['missing']]}")
    assert not unasked, f"{len(unasked)} twins were not asked about:\n" + "\n".join(unasked)


@pytest.mark.parametrize("step", [pytest.param(6, id="sample"), pytest.param(1, id="all", marks=pytest.mark.full)])
def test_twins_are_asked_about(
    newest_house: House, watch: Watch, bystander: psycopg.Connection[Any], tmp_path: Path, step: int
) -> None:
    """Each harmless text where the hostile one stood."""
    check_twins(newest_house, tmp_path, place(newest_house, bystander), step)
    watch.unchanged()


@pytest.mark.parametrize("step", [pytest.param(4, id="sample"), pytest.param(1, id="all", marks=pytest.mark.full)])
@pytest.mark.matrix
def test_older_releases(older_house: House, tmp_path: Path, step: int) -> None:
    """13 to 17: the same files, the same nothing; the same twins, asked about."""
    watch = Watch(older_house, snapshot(older_house))
    paths = written(tmp_path / "plans", files(twin=False)[::step], place(older_house, None))
    audited(older_house, paths, pgoptions=WAYS["keeper, backslashes escape"][0])
    watch.unchanged()
    folder = tmp_path / "twins"
    folder.mkdir()
    check_twins(older_house, folder, place(older_house, None), step)
    watch.unchanged()


@pytest.mark.full
def test_every_text_in_every_key(
    newest_house: House, watch: Watch, bystander: psycopg.Connection[Any], tmp_path: Path
) -> None:
    """All texts in all keys, as a superuser, backslashes escaping."""
    paths = written(tmp_path / "plans", files(twin=False, every=True), place(newest_house, bystander))
    for start in range(0, len(paths), 200):
        audited(
            newest_house, paths[start : start + 200], pgoptions=WAYS["keeper, backslashes escape"][0], privileged=True
        )
    watch.unchanged()
