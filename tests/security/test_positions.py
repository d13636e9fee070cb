"""Volatile calls in every place where the grammar takes an expression: all refused, and nothing changes."""

from __future__ import annotations

from pathlib import Path

import pytest

from rowreckon import releases

from .generated import attack, combinations
from .house import House
from .snapshot import snapshot
from .tool import Attack, Watch, sweep


def check_refused(house: House, folder: Path, attacks: list[Attack], *, privileged: bool = False) -> None:
    """Sweep all of them with default flags: each is refused."""
    done = sweep(house, folder, attacks, privileged=privileged)
    got_by = [
        f"{attack.name}: {done.ended.get(attack.name)}: {done.reasons.get(attack.name)}: {attack.text}"
        for attack in attacks
        if done.ended.get(attack.name) != "refused"
    ]
    assert not got_by, f"{len(got_by)} of {len(attacks)} were not refused:\n" + "\n".join(got_by)


def test_calls_in_every_position_are_refused(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """As the keeper, with default flags: the open call in each position; the hidden ones have a run of their own."""
    attacks = [attack(*pair) for pair in combinations(releases.NEWEST, every=False)][::2]
    check_refused(newest_house, tmp_path / "lists", attacks)
    watch.unchanged()


def test_calls_in_every_position_are_refused_to_a_superuser(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """With the flag for a privileged role: it permits the role, not what the role can do."""
    attacks = [attack(*pair) for pair in combinations(releases.NEWEST, every=False)][1::10]
    check_refused(newest_house, tmp_path / "lists", attacks, privileged=True)
    watch.unchanged()


@pytest.mark.matrix
def test_older_releases(older_house: House, tmp_path: Path) -> None:
    """13 to 17: the same."""
    watch = Watch(older_house, snapshot(older_house))
    check_refused(older_house, tmp_path, [attack(*pair) for pair in combinations(older_house.major, every=False)])
    watch.unchanged()


@pytest.mark.full
def test_every_call_in_every_position(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """All payloads in all positions."""
    attacks = [attack(*pair) for pair in combinations(releases.NEWEST, every=True)]
    check_refused(newest_house, tmp_path / "lists", attacks)
    watch.unchanged()
