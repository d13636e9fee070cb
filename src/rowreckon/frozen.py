"""Frozen values that are cheap to declare.

`dataclass(frozen=True, slots=True)` writes, compiles and runs seven functions for each class: half a millisecond, which
over more than a hundred classes was a fifth of the time that `rowreckon audit` takes for a plan. Here only `__init__`
is made for the class; comparing, hashing and showing are shared by all.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from operator import attrgetter
from typing import Any, TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def frozen(cls: type[T]) -> type[T]:
    """Make a class of frozen values: a dataclass with slots, equality and a hash by its fields' values.

    `field`, `fields` and `replace` of `dataclasses` serve as ever. That nothing is assigned after `__init__` is for the
    type checker to hold (it does, as for any frozen dataclass); a guard at run time is half of what is saved here.
    """
    made: Any = dataclass(slots=True, eq=False, repr=False)(cls)
    compared = [f.name for f in fields(made) if f.compare]
    made._compared = staticmethod(attrgetter(*compared) if compared else _nothing)
    made.__eq__ = _equal
    made.__hash__ = _hash
    made.__repr__ = _shown
    return made  # type: ignore[no-any-return]


def _nothing(_: object) -> tuple[()]:
    return ()


def _equal(self: Any, other: Any) -> Any:
    if other.__class__ is not self.__class__:
        return NotImplemented
    return self._compared(self) == self._compared(other)


def _hash(self: Any) -> int:
    return hash(self._compared(self))


def _shown(self: Any) -> str:
    shown = (f"{f.name}={getattr(self, f.name)!r}" for f in fields(self) if f.repr)
    return f"{type(self).__qualname__}({', '.join(shown)})"
