"""Any object of EXPLAIN's output, made from what PostgreSQL printed: each key checked, none dropped.

A plan has thousands of nodes, and a node dozens of keys: what is made for each is one dictionary of the keys that were
printed. A field that was not printed is read from the class, where it is None.
"""

import inspect
from collections.abc import Iterator, Mapping
from typing import Any, ClassVar, Self

from rowreckon.plan.keys import MISSING, MOST, WRONG_TYPE, Kind, Wrong, explain_key

_MOST_OF_64_BITS = 2**63 - 1
_MOST = float(MOST)


class ExplainPart:
    """Any object of EXPLAIN's output: frozen, its keys by PostgreSQL's names, unknown keys kept.

    `unknown_keys` are the keys that are kept but not understood, with their values.
    """

    required: ClassVar[str | None] = None
    """The field whose key PostgreSQL always prints."""
    unknown_keys: Mapping[str, Any] = {}

    @classmethod
    def read(cls, printed: Mapping[str, Any]) -> Self:
        """The object that PostgreSQL printed so. Raises Wrong for what it never prints."""
        made = cls.__new__(cls)
        kept = made.__dict__
        fields = fields_by_key(cls)
        unknown: dict[str, Any] = {}
        try:
            for key, value in printed.items():
                field = fields.get(key)
                if field is None:
                    unknown[key] = value
                    continue
                name, kind = field
                is_a = type(value)
                fits = (
                    is_a is kind.plain
                    or (is_a is int and kind.least <= value <= _MOST_OF_64_BITS)
                    or (is_a is float and (kind.nearest <= value <= _MOST or (kind.zero and value == 0.0)))
                )
                kept[name] = value if fits else kind.taken(value)
        except Wrong:
            raise _worst(cls, printed) from None
        if cls.required is not None and cls.required not in kept:
            raise _worst(cls, printed)
        if unknown:
            kept["unknown_keys"] = unknown
        return made

    @classmethod
    def wrongs(cls, printed: object, steps: tuple[str, ...] = ()) -> Iterator[Wrong]:
        """Everything that is wrong with what should be such an object, in the order of its fields."""
        if not isinstance(printed, dict):
            yield Wrong(steps, WRONG_TYPE, printed)
            return
        for key, (name, kind) in fields_by_key(cls).items():
            if key in printed:
                yield from kind.wrongs(printed[key], (*steps, key))
            elif name == cls.required:
                yield Wrong((*steps, key), MISSING, None)

    def was_printed(self, name: str) -> bool:
        """Whether a field's key stands in what PostgreSQL printed."""
        return name in self.__dict__

    def to_explain(self) -> dict[str, Any]:
        """The object as PostgreSQL printed it: typed fields under their keys, plus the kept unknowns."""
        kept = self.__dict__
        own = {key: _plain(kept[name]) for key, (name, _) in fields_by_key(type(self)).items() if name in kept}
        return own | dict(self.unknown_keys)

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, ExplainPart)
            and type(other) is type(self)
            and _values(other) == _values(self)
            and other.unknown_keys == self.unknown_keys
        )

    def __hash__(self) -> int:
        return hash(_values(self))  # what is not understood need not be hashable

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.__dict__!r})"

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"{type(self).__name__} is frozen")


_FIELDS: dict[type[ExplainPart], dict[str, tuple[str, Kind]]] = {}


def fields_by_key(part: type[ExplainPart]) -> dict[str, tuple[str, Kind]]:
    """PostgreSQL's keys that such an object is known to have: for each the field's name and what its value may be."""
    known = _FIELDS.get(part)
    if known is None:
        known = _FIELDS[part] = {}
        for ancestor in reversed(part.__mro__):
            if ancestor is not ExplainPart and issubclass(ancestor, ExplainPart):
                for name, declared in inspect.get_annotations(ancestor).items():
                    known[explain_key(name)] = (name, declared.__metadata__[0])
    return known


def field_names(part: type[ExplainPart]) -> tuple[str, ...]:
    """The names of the fields that such an object may have."""
    return tuple([name for name, _ in fields_by_key(part).values()])


def _values(part: ExplainPart) -> tuple[object, ...]:
    return tuple([getattr(part, name) for name in field_names(type(part))])


def _worst(part: type[ExplainPart], printed: Mapping[str, Any]) -> Wrong:
    """Of all that is wrong, what tells most: a number out of bounds before what may be another release's."""
    found = list(part.wrongs(printed))
    return next((wrong for wrong in found if wrong.out_of_bounds), found[0])


def _plain(value: Any) -> Any:
    if isinstance(value, ExplainPart):
        return value.to_explain()
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value


class OnePart(Kind):
    """An object of a kind of its own, or absent."""

    def __init__(self, part: type[ExplainPart]) -> None:
        self.part = part

    def kept(self, value: Any) -> Any:
        """The typed object."""
        return None if value is None else self.part.read(value)

    def wrongs(self, value: Any, steps: tuple[str, ...]) -> Iterator[Wrong]:
        """Everything that is wrong with it."""
        return iter(()) if value is None else self.part.wrongs(value, steps)


class Parts(Kind):
    """A list of objects of one kind, kept as a tuple, or absent."""

    def __init__(self, part: type[ExplainPart]) -> None:
        self.part = part

    def kept(self, value: Any) -> Any:
        """The typed objects."""
        return None if value is None else tuple([self.part.read(item) for item in value])

    def wrongs(self, value: Any, steps: tuple[str, ...]) -> Iterator[Wrong]:
        """No list, and everything that is wrong with what it holds."""
        if value is None:
            return
        if not isinstance(value, list | tuple):
            yield Wrong(steps, WRONG_TYPE, value)
            return
        for number, item in enumerate(value):
            yield from self.part.wrongs(item, (*steps, str(number)))
