"""The snares have teeth, and the harmless twins are answered: without this, a refusal would prove nothing.

What says that a statement is an attack is the server: run without the tool, it leaves a mark.
"""

from __future__ import annotations

from pathlib import Path

import psycopg
import pytest

from .generated import spring, twin
from .house import House
from .payloads import HARMLESS, PAYLOADS
from .positions import POSITIONS
from .snapshot import snapshot
from .tool import Watch, sweep


def has_xml(house: House) -> bool:
    """Whether the server was built with libxml: the embedded one was not."""
    with psycopg.connect(house.superuser) as session:
        try:
            session.execute("select xmlelement(name a)")
        except psycopg.errors.FeatureNotSupported:
            return False
    return True


def check_teeth(house: House) -> None:
    """Each position evaluates what stands in it, and each payload leaves a mark: no attack is a harmless text."""
    xml = has_xml(house)
    before = house.marks()
    dull: list[str] = []
    with psycopg.connect(house.keeper, autocommit=True, prepare_threshold=None) as session:
        for position in POSITIONS:
            if position.since <= house.major and (xml or not position.xml):
                marks, error = spring(house, session, position.filled("snare.spring('position')"))
                if not marks:
                    dull.append(f"{position.name} evaluates nothing: {error}")
                marks, error = spring(house, session, position.filled(HARMLESS))
                if marks or error:
                    dull.append(f"the twin of {position.name} is not harmless: {error}")
        for payload in PAYLOADS:
            if payload.since <= house.major and (xml or not payload.xml):
                marks, error = spring(house, session, f"select {payload.expression}")
                if not marks:
                    dull.append(f"{payload.name} springs nothing: {error}")
    house.set_marks(before)
    assert not dull, "\n".join(dull)


def check_twins(house: House, folder: Path) -> None:
    """Each position with a harmless call runs."""
    xml = has_xml(house)
    positions = [p for p in POSITIONS if p.since <= house.major and (xml or not p.xml)]
    done = sweep(house, folder, [twin(position) for position in positions])
    silent = [
        f"{name}: {done.ended.get(name)}: {done.reasons.get(name)}"
        for name in (twin(position).name for position in positions)
        if done.ended.get(name) != "ran"
    ]
    assert not silent, f"{len(silent)} of {len(positions)} twins were not answered:\n" + "\n".join(silent)


def test_every_attack_has_teeth(newest_house: House) -> None:
    """On 18."""
    check_teeth(newest_house)


def test_twins_are_answered(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """The same statements with abs(1)."""
    check_twins(newest_house, tmp_path / "lists")
    watch.unchanged()


@pytest.mark.matrix
def test_older_releases(older_house: House, tmp_path: Path) -> None:
    """13 to 17: teeth and twins."""
    check_teeth(older_house)
    watch = Watch(older_house, snapshot(older_house))
    check_twins(older_house, tmp_path / "lists")
    watch.unchanged()
