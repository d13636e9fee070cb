"""Frozen values that are cheap to declare.

`dataclass(frozen=True, slots=True)` writes, compiles and runs seven functions for each class: half a millisecond, which
over more than a hundred classes was a fifth of the time that `rowreckon audit` takes for a plan. Here a class gets its
slots and no more when it is declared. What its fields are, and its `__init__`, is worked out when the first value is
made, since one plan needs half of the classes; comparing, hashing and showing are shared by all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, Field, dataclass, field, fields
from inspect import get_annotations
from operator import attrgetter
from typing import Any, TypeVar, dataclass_transform

T = TypeVar("T")

_DATACLASS = ("__dataclass_fields__", "__dataclass_params__", "__match_args__")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def frozen(cls: type[T]) -> type[T]:
    """Make a class of frozen values: a dataclass with slots, equality and a hash by its fields' values.

    `field`, `fields` and `replace` of `dataclasses` serve as ever. Every annotation is a field. That nothing is
    assigned after `__init__` is for the type checker to hold (it does, as for any frozen dataclass); a guard at run
    time is half of what is saved here.
    """
    names = get_annotations(cls)
    body = {name: value for name, value in cls.__dict__.items() if name not in names}
    for made_anew in ("__dict__", "__weakref__"):
        body.pop(made_anew, None)
    body |= {"__slots__": tuple(names), "__eq__": _equal, "__hash__": _hash, "__repr__": _shown}
    body["_given"] = {name: cls.__dict__.get(name, MISSING) for name in names}
    kind: Any = type(cls)
    made = kind(cls.__name__, cls.__bases__, body)
    made.__qualname__ = cls.__qualname__
    for name in _DATACLASS:
        setattr(made, name, _WhenAsked(name, made, lambda: _as_dataclass(made, cls)))
    made._compared = _WhenAsked("_compared", made, lambda: _compare_by_fields(made))
    made.__init__ = _made_when_called(made)
    return made  # type: ignore[no-any-return]


class _WhenAsked:
    """Stands in a class for what is worked out of its declaration when it is first asked for."""

    def __init__(self, name: str, made: Any, work_out: Callable[[], None]) -> None:
        self.name = name
        self.made = made
        self.work_out = work_out

    def __get__(self, value: object, owner: object = None) -> Any:
        self.work_out()
        return getattr(self.made, self.name)


def _as_dataclass(made: Any, declared: Any) -> None:
    """Give the class what `fields`, `replace` and patterns look for."""
    # Without a docstring `dataclass` would write one, which takes as long as all the rest.
    declared.__doc__ = declared.__doc__ or declared.__name__
    told = dataclass(init=False, eq=False, repr=False)(declared)
    for name in _DATACLASS:
        setattr(made, name, getattr(told, name))


def _compare_by_fields(made: Any) -> None:
    """Give the class what is compared and hashed of a value."""
    compared = [name for name, f in _fields_of(made).items() if f.compare]
    made._compared = staticmethod(attrgetter(*compared) if compared else _nothing)


def _fields_of(made: Any) -> dict[str, Any]:
    """How each field was declared, by name, those of the bases first."""
    found: dict[str, Any] = {}
    for base in reversed(made.__mro__):
        for name, given in base.__dict__.get("_given", {}).items():
            found[name] = given if isinstance(given, Field) else field(default=given)
    return found


def _made_when_called(cls: Any) -> Any:
    def first(self: Any, *values: Any, **named: Any) -> None:
        cls.__init__ = _init_of(cls)
        cls.__init__(self, *values, **named)

    return first


def _init_of(cls: Any) -> Any:
    """An `__init__` as `dataclass` makes it: it takes the fields in their order, and assigns each."""
    names: dict[str, Any] = {"_absent": MISSING}
    parameters, steps = ["self"], ["pass"]
    for name, f in _fields_of(cls).items():
        made, default, given = f"_make_{name}", f"_default_{name}", name
        if f.default_factory is not MISSING:
            names[made] = f.default_factory
            given = f"{made}() if {name} is _absent else {name}" if f.init else f"{made}()"
            default = "_absent"
        elif f.default is not MISSING:
            names[default] = f.default
            given = name if f.init else default
        else:
            default = ""
        if f.init:
            parameters.append(f"{name}={default}" if default else name)
        if f.init or default:  # what has no default either is for __post_init__ to assign
            steps.append(f"self.{name} = {given}")
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
