"""No field of PostgreSQL's parse trees in which an expression may stand was forgotten by the attacks."""

from __future__ import annotations

from pathlib import Path

import postgast
import psycopg
import pytest

from .excused import EXCUSED, NOT_ANALYZED, NOT_GRAMMATICAL, excused
from .generated import attack, spring, twin
from .grammar_fields import HOLE, fields, on_the_way
from .house import House
from .payloads import Payload
from .positions import POSITIONS, Position
from .positions_writing import DEFINING, WRITING
from .snapshot import snapshot
from .tool import Attack, Watch, sweep

CALL = Payload("call", "snare.spring('call')")
IMMUTABLE = Payload("declared immutable", "snare.liar(1)")


def covered() -> set[str]:
    """The fields that lead to the hole of some position."""
    return set().union(*(on_the_way(position.filled(HOLE)) for position in (*POSITIONS, *WRITING, *DEFINING)))


def test_every_field_is_attacked_or_excused() -> None:
    """libpg_query's fields, less those on the way to a hole, less those that are excused with a reason."""
    forgotten = sorted(field for field in fields() - covered() if not excused(field))
    assert not forgotten, "\n".join(forgotten)


def test_nothing_is_excused_that_takes_an_expression() -> None:
    """A field that leads to some hole is no field in which no call can stand."""
    both = sorted(field for field in covered() if excused(field))
    assert not both, "\n".join(both)


def test_no_excuse_is_for_nothing() -> None:
    """Each word of the excuses is a node or field of libpg_query's."""
    known = fields() | {field.split(".")[0] for field in fields()} | {"*.xpr"}
    words = [word for text in EXCUSED.values() for word in text.split()]
    assert not [word for word in words if word not in known]
    assert len(words) == len(set(words))


@pytest.mark.parametrize("statement", NOT_GRAMMATICAL)
def test_the_grammar_takes_no_call_there(statement: str) -> None:
    """PostgreSQL's own grammar says so; with a stand-in in the hole's place the same statement is taken, so that no
    other part of it is at fault."""
    with pytest.raises(postgast.PgQueryError, match=r"syntax error|only|must|not|invalid|requires|expected"):
        postgast.parse(statement.replace("{e}", HOLE))
    assert any(parses(statement.replace("{e}", other)) for other in STAND_INS), statement


# What may stand in one of these places: a name, a number, a literal, a type, a path, an option.
STAND_INS = (
    "n",
    "1",
    "'a'",
    "json",
    "off",
    "read committed",
    "a.b",
    "a = 1",
    "(true)",
    "<",
    "f",
    "select 1;",
    "text",
    "old",
)


def parses(statement: str) -> bool:
    """Whether the grammar takes it."""
    try:
        postgast.parse(statement)
    except postgast.PgQueryError:
        return False
    return True


def check_not_analyzed(house: House) -> None:
    """The server refuses each of these and calls nothing."""
    called: list[str] = []
    for name, statement in NOT_ANALYZED.items():
        with psycopg.connect(house.keeper, autocommit=True, prepare_threshold=None) as session:
            marks, error = spring(house, session, statement.replace("{e}", IMMUTABLE.expression), mode="read write")
            if marks or not error:
                called.append(f"{name}: {marks} {error}")
    assert not called, "\n".join(called)


def check_teeth(house: House) -> None:
    """What writes calls what stands in its hole; what defines is taken by the server, and calls or keeps it."""
    before = house.marks()
    dull: list[str] = []
    for position, payloads in [(p, (CALL, IMMUTABLE)) for p in WRITING] + [(p, (IMMUTABLE,)) for p in DEFINING]:
        if position.since > house.major:
            continue
        outcomes = []
        for payload in payloads:
            with psycopg.connect(house.keeper, autocommit=True, prepare_threshold=None) as session:
                outcomes.append(spring(house, session, position.filled(payload.expression), mode="read write"))
        marked = any(marks for marks, _ in outcomes)
        if not marked and (position in WRITING or any(error for _, error in outcomes)):
            dull.append(f"{position.name}: {outcomes}")
    house.set_marks(before)
    assert not dull, "\n".join(dull)


def there(house: House, positions: tuple[Position, ...]) -> list[Position]:
    """Those that this release has."""
    return [position for position in positions if position.since <= house.major]


def check_refused(house: House, folder: Path, attacks: list[Attack], *options: str) -> None:
    """None of them runs."""
    done = sweep(house, folder, attacks, *options)
    ran = [f"{one.name}: {done.ended.get(one.name)}" for one in attacks if done.ended.get(one.name) != "refused"]
    assert not ran, f"{len(ran)} of {len(attacks)} were not refused:\n" + "\n".join(ran)


def check_writing(house: House, folder: Path) -> None:
    """With --allow-writes: the write is permitted, the volatile call is not; the twin runs and is rolled back."""
    positions = there(house, WRITING)
    check_refused(house, folder / "a", [attack(position, CALL) for position in positions], "--allow-writes")
    twins = [twin(position) for position in positions]
    done = sweep(house, folder / "b", twins, "--allow-writes")
    silent = [
        f"{one.name}: {done.ended.get(one.name)}: {done.reasons.get(one.name)}"
        for one in twins
        if done.ended.get(one.name) != "ran"
    ]
    assert not silent, "\n".join(silent)


def check_defining(house: House, folder: Path) -> None:
    """With default flags no list defines, calls or copies; the same text as a literal is harmless."""
    positions = there(house, DEFINING)
    attacks = [attack(position, IMMUTABLE) for position in positions]
    check_refused(house, folder / "a", attacks)
    twins = [
        Attack(f"{position.name}: twin", f"select $text${position.filled('1')}$text$".replace(";", ","))
        for position in positions
    ]
    done = sweep(house, folder / "b", twins)
    assert {done.ended.get(one.name) for one in twins} == {"ran"}, done.text[-2000:]


def test_the_server_takes_no_call_there(newest_house: House, watch: Watch) -> None:
    """Types' modifiers and the like, on 18."""
    check_not_analyzed(newest_house)
    watch.unchanged()


def test_statements_that_write_or_define_have_teeth(newest_house: House) -> None:
    """On 18."""
    check_teeth(newest_house)


def test_writes(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """On 18, as the keeper."""
    check_writing(newest_house, tmp_path)
    watch.unchanged()


def test_definitions(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """On 18, as the keeper."""
    check_defining(newest_house, tmp_path)
    watch.unchanged()


@pytest.mark.full
@pytest.mark.matrix
def test_older_releases(older_house: House, tmp_path: Path) -> None:
    """13 to 17: the same."""
    check_teeth(older_house)
    watch = Watch(older_house, snapshot(older_house))
    (tmp_path / "writing").mkdir()
    check_writing(older_house, tmp_path / "writing")
    (tmp_path / "defining").mkdir()
    check_defining(older_house, tmp_path / "defining")
    watch.unchanged()
