"""Frozen records of typed fields. Pydantic, whose loading takes longer than an audit, comes only for what needs it.

A record that the program makes is made of values that have their fields' types already, as mypy holds the program to:
nothing is checked then, and only whole numbers become decimals where the field is one. What comes from outside is
checked by pydantic (`model_validate`), which prints records as well (`model_dump`) and describes them. To it a record
is a dataclass.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, field, fields
from types import UnionType
from typing import (
    TYPE_CHECKING,
    Annotated,
    Any,
    Literal,
    Self,
    TypeVar,
    Union,
    dataclass_transform,
    get_args,
    get_origin,
    get_type_hints,
)

if TYPE_CHECKING:
    from pydantic import TypeAdapter

T = TypeVar("T", bound="Record")
Convert = Callable[[Any], Any]


def key_of(name: str) -> str:
    """A field's key in a document: a word that Python keeps for itself, or pydantic for its own, ends in `_` here."""
    return name.removesuffix("_")


@dataclass_transform(frozen_default=True, kw_only_default=True, field_specifiers=(field,))
class Record:
    """A frozen value with named fields; equality and hash go by the fields' values.

    The methods that need pydantic bear the names that they have there.
    """

    __pydantic_config__ = {  # noqa: RUF012 (pydantic reads it from the class)
        "extra": "forbid",
        "populate_by_name": True,
        "serialize_by_alias": True,
        "alias_generator": key_of,
        "arbitrary_types_allowed": True,
    }

    def __init_subclass__(cls) -> None:
        cls.__dataclass_fields__ = _Fields()  # type: ignore[attr-defined]  # what makes it a dataclass

    def __init__(self, **values: Any) -> None:
        made = self.__dict__
        layout = _layout(type(self))
        made.update(layout.absent)
        made.update(values)
        if len(made) != len(layout.absent):
            raise TypeError(f"{type(self).__name__} has no field {', '.join(made.keys() - layout.absent.keys())}")
        for name in layout.required:
            if name not in values:
                raise TypeError(f"{type(self).__name__} needs {name}")
        for name, make in layout.factories.items():
            if name not in values:
                made[name] = make()
        for name, convert in layout.conversions.items():
            if name in values:
                made[name] = convert(made[name])

    @classmethod
    def trusted(cls, values: dict[str, Any]) -> Self:
        """A record made of values that have their fields' types exactly.

        For records of which a plan has thousands. `values` holds every field, by its name and in the fields' order,
        and belongs to the record from then on.
        """
        made = cls.__new__(cls)
        object.__setattr__(made, "__dict__", values)
        return made

    @classmethod
    def model_validate(cls, value: Any) -> Self:
        """The record that a value from outside stands for. Raises pydantic's ValidationError."""
        return adapter(cls).validate_python(value)

    @classmethod
    def model_validate_json(cls, content: str | bytes) -> Self:
        """The record that a JSON text stands for. Raises pydantic's ValidationError."""
        return adapter(cls).validate_json(content)

    @classmethod
    def model_json_schema(cls) -> dict[str, Any]:
        """The JSON Schema of what `model_dump_json` prints."""
        return adapter(cls).json_schema(by_alias=True, mode="serialization")

    def model_copy(self, *, update: Mapping[str, Any] | None = None) -> Self:
        """The record with some fields changed; as in pydantic, the new values are taken as they are."""
        return type(self).trusted({**self.__dict__, **(update or {})})

    def model_dump(self, *, mode: Literal["python", "json"] = "python") -> dict[str, Any]:
        """The record as a dictionary, by its keys in a document; of plain JSON values where the mode is "json"."""
        found: dict[str, Any] = adapter(type(self)).dump_python(self, mode=mode, by_alias=True)
        return found

    def model_dump_json(self, *, indent: int | None = None) -> str:
        """The record as JSON text."""
        return adapter(type(self)).dump_json(self, indent=indent, by_alias=True).decode()

    def __eq__(self, other: object) -> bool:
        return type(other) is type(self) and other.__dict__ == self.__dict__

    def __hash__(self) -> int:
        return hash(tuple(self.__dict__.values()))

    def __repr__(self) -> str:
        return f"{type(self).__name__}({', '.join(f'{name}={value!r}' for name, value in self.__dict__.items())})"

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"{type(self).__name__} is frozen")


class Checked:
    """Stands in an annotation for what pydantic is to hold a value to, such as `ge=0`, without loading pydantic."""

    def __init__(self, **limits: object) -> None:
        self.limits = limits

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        """The type's own schema with these limits."""
        return {**handler(source), **self.limits}


class AsItIs:
    """Stands in an annotation of a value that was checked where it was made: pydantic takes it as it is."""

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        """Anything, without a look at what is below."""
        from pydantic_core import core_schema

        return core_schema.any_schema()


class _Fields:
    """Stands where pydantic looks for a record's fields, until it looks: most kinds are never checked or printed."""

    def __get__(self, record: Record | None, kind: type[Record]) -> Any:
        dataclass(init=False, repr=False, eq=False)(kind)
        return kind.__dict__["__dataclass_fields__"]


class _Layout:
    """What making a record needs of its kind: all fields, absent ones with their default."""

    def __init__(self, kind: type[Record]) -> None:
        declared = fields(kind)  # type: ignore[arg-type]  # Record itself is none, its kinds are
        self.absent = {f.name: None if f.default is MISSING else f.default for f in declared}
        self.factories = {f.name: f.default_factory for f in declared if f.default_factory is not MISSING}
        self.required = tuple(f.name for f in declared if f.default is MISSING and f.default_factory is MISSING)
        hints = get_type_hints(kind) if any(isinstance(f.type, str) for f in declared) else None
        found = {f.name: _conversion(hints[f.name] if hints else f.type) for f in declared}
        self.conversions = {name: convert for name, convert in found.items() if convert is not None}


_LAYOUTS: dict[type[Record], _Layout] = {}
_ADAPTERS: dict[type[Record], Any] = {}


def _layout(kind: type[Record]) -> _Layout:
    found = _LAYOUTS.get(kind)
    if found is None:
        found = _LAYOUTS[kind] = _Layout(kind)
    return found


def adapter(kind: type[T]) -> TypeAdapter[T]:
    """Pydantic's view of a kind of record."""
    if kind not in _ADAPTERS:
        from pydantic import TypeAdapter

        _ADAPTERS[kind] = TypeAdapter(kind)
    found: TypeAdapter[T] = _ADAPTERS[kind]
    return found


def _conversion(declared: Any) -> Convert | None:
    """What makes a field's whole numbers decimals, None where it holds none: JSON prints 5 and 5.0 otherwise."""
    if declared is float:
        return _decimal
    origin, inner = get_origin(declared), get_args(declared)
    if origin is Annotated:
        return _conversion(inner[0])
    if origin is Union or origin is UnionType:
        # Of a union that holds whole numbers as well each value stays what it is.
        return None if int in inner else next(filter(None, map(_conversion, inner)), None)
    if origin is tuple and _conversion(inner[0]) is not None:
        return _decimals
    if origin is dict and _conversion(inner[1]) is not None:
        return _decimals_by_key
    return None


def _decimal(value: Any) -> Any:
    return float(value) if type(value) is int else value


def _decimals(values: Any) -> Any:
    return values and tuple([_decimal(value) for value in values])


def _decimals_by_key(values: Any) -> Any:
    return values and {key: _decimal(value) for key, value in values.items()}
