"""Frozen values that are cheap to declare.

`dataclass(frozen=True, slots=True)` writes, compiles and runs seven functions for each class: half a millisecond, which
over more than a hundred classes was a fifth of the time that `rowreckon audit` takes for a plan. Here only `__init__`
is made for the class, when its first value is, since one plan needs half of the classes; comparing, hashing and
showing are shared by all.
"""

from __future__ import annotations

from dataclasses import MISSING, dataclass, field, fields
from operator import attrgetter
from typing import Any, TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def frozen(cls: type[T]) -> type[T]:
    """Make a class of frozen values: a dataclass with slots, equality and a hash by its fields' values.

    `field`, `fields` and `replace` of `dataclasses` serve as ever. That nothing is assigned after `__init__` is for the
    type checker to hold (it does, as for any frozen dataclass); a guard at run time is half of what is saved here.
    """
    made: Any = dataclass(slots=True, init=False, eq=False, repr=False)(cls)
    compared = [f.name for f in fields(made) if f.compare]
    made._compared = staticmethod(attrgetter(*compared) if compared else _nothing)
    made.__init__ = _made_when_called(made)
    made.__eq__ = _equal
    made.__hash__ = _hash
    made.__repr__ = _shown
    return made  # type: ignore[no-any-return]


def _made_when_called(cls: Any) -> Any:
    def first(self: Any, *values: Any, **named: Any) -> None:
        cls.__init__ = _init_of(cls)
        cls.__init__(self, *values, **named)

    return first


def _init_of(cls: Any) -> Any:
    """An `__init__` as `dataclass` makes it: it takes the fields in their order, and assigns each."""
    names: dict[str, Any] = {"_absent": MISSING}
    parameters, steps = ["self"], ["pass"]
    for f in fields(cls):
        made, default, given = f"_make_{f.name}", f"_default_{f.name}", f.name
        if f.default_factory is not MISSING:
            names[made] = f.default_factory
            given = f"{made}() if {f.name} is _absent else {f.name}" if f.init else f"{made}()"
            default = "_absent"
        elif f.default is not MISSING:
            names[default] = f.default
            given = f.name if f.init else default
        else:
            default = ""
        if f.init:
            parameters.append(f"{f.name}={default}" if default else f.name)
        if f.init or default:  # what has no default either is for __post_init__ to assign
            steps.append(f"self.{f.name} = {given}")
    if hasattr(cls, "__post_init__"):
        steps.append("self.__post_init__()")
    exec(f"def __init__({', '.join(parameters)}):\n " + "\n ".join(steps), names)
    init = names["__init__"]
    init.__qualname__ = f"{cls.__qualname__}.__init__"
    return init


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
