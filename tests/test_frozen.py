"""`frozen` against what it stands in for: the standard library's own frozen dataclass with the same fields."""

from __future__ import annotations

import copy
import pickle
from dataclasses import dataclass, field, fields, replace

import pytest

from rowreckon.frozen import frozen


@frozen
class Hut:
    """A hut, by `frozen`."""

    name: str
    bunks: int = 12
    log: tuple[str, ...] = field(default=(), compare=False, repr=False)
    guests: list[str] = field(default_factory=list, compare=False, repr=False)


@frozen
class Nothing:
    """No field at all."""


@frozen
class Walk:
    """A walk, and how long it takes."""

    kilometres: float
    hours: float = field(init=False)
    rests: list[float] = field(default_factory=list, init=False)
    alone: bool = field(default=True, init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "hours", self.kilometres / 3.0)


@dataclass(frozen=True, slots=True)
class Reference:
    """The same hut, by the standard library."""

    name: str
    bunks: int = 12
    log: tuple[str, ...] = field(default=(), compare=False, repr=False)
    guests: list[str] = field(default_factory=list, compare=False, repr=False)


ARGUMENTS = [("Upper", 12, ()), ("Upper", 12, ("snow",)), ("Upper", 8, ()), ("Lower", 12, ())]


def test_equality_and_hash_are_those_of_a_frozen_dataclass() -> None:
    """Every pair is equal or not as the reference's is, fields left out of comparison included."""
    for left in ARGUMENTS:
        assert hash(Hut(*left)) == hash(Reference(*left))
        for right in ARGUMENTS:
            assert (Hut(*left) == Hut(*right)) == (Reference(*left) == Reference(*right))


def test_what_is_asked_before_any_value_was_made() -> None:
    """Fields, equality and hash of a class that has made no value, as after a pickle came from another process."""

    @frozen
    class Chalet(Hut):
        rooms: int = 3

    assert [f.name for f in fields(Chalet)] == ["name", "bunks", "log", "guests", "rooms"]
    first, second = (Chalet.__new__(Chalet) for _ in range(2))
    for name, value in (("name", "Upper"), ("bunks", 8), ("rooms", 2)):
        object.__setattr__(first, name, value)
        object.__setattr__(second, name, value)
    assert first == second
    assert hash(first) == hash(second)
    assert replace(Chalet("Upper", rooms=5), bunks=8).rooms == 5
    assert vars(Chalet).get("rooms") != 3, "a default is no attribute of the class, as with slots"


def test_another_class_is_never_equal() -> None:
    """Not even with the same values."""
    others: list[object] = [Reference("Upper"), ("Upper", 12), None]

    assert all(Hut("Upper") != other for other in others)
    assert Nothing() == Nothing()
    assert hash(Nothing()) == hash(Nothing())


def test_shown_as_a_dataclass_is() -> None:
    """The text that `repr` gives, and the fields that it leaves out."""
    assert repr(Hut("Upper", 8, ("snow",))) == repr(Reference("Upper", 8, ("snow",))).replace("Reference", "Hut")


def test_the_tools_of_dataclasses_serve() -> None:
    """`replace`, `fields`, copies and pickles."""
    hut = Hut("Upper", 8, ("snow",))

    assert replace(hut, bunks=9) == Hut("Upper", 9)
    assert [f.name for f in fields(Hut)] == [f.name for f in fields(Reference)]
    assert copy.deepcopy(hut).log == pickle.loads(pickle.dumps(hut)).log == ("snow",)


def test_a_field_of_its_own_making_is_no_argument() -> None:
    """`init=False` and `__post_init__`, as with the reference."""
    walk = Walk(4.5)

    assert (walk.hours, walk.rests, walk.alone) == (1.5, [], True)
    with pytest.raises(TypeError):
        Walk(4.5, 2.0)  # type: ignore[call-arg]


def test_no_attribute_beyond_the_fields() -> None:
    """Slots: a misspelt name is an error, as with the reference."""
    with pytest.raises(AttributeError):
        object.__setattr__(Hut("Upper"), "bunk", 3)


def test_arguments_are_taken_as_a_dataclass_takes_them() -> None:
    """By place and by name, defaults made anew, and the same words where one is missing, unknown or given twice."""
    assert Hut(bunks=8, name="Upper", guests=["Ann"]).guests == ["Ann"]
    assert Hut(bunks=8, name="Upper") == Hut("Upper", 8)
    assert Hut("Upper").guests is not Hut("Upper").guests
    for values, named in (((), {}), (("Upper",), {"name": "Upper"}), (("Upper",), {"beds": 2}), (range(5), {})):
        with pytest.raises(TypeError) as expected:
            Reference(*values, **named)
        with pytest.raises(TypeError) as raised:
            Hut(*values, **named)
        assert str(raised.value) == str(expected.value).replace("Reference", "Hut")
