"""What all parts of the audit document share."""

from __future__ import annotations

from functools import cache
from typing import Annotated, Any, Final, Literal, Self

from pydantic import BaseModel, ConfigDict
from pydantic_core import CoreSchema, core_schema

Method = Literal["nested_loop", "hash", "merge"]
METHOD_NAMES: Final[dict[Method, str]] = {"nested_loop": "nested loop", "hash": "hash join", "merge": "merge join"}
"""What the methods are called in a sentence."""


class _Maybe:
    """Gives pydantic a finished schema of "such a value, or None": there are more than a hundred such fields, and
    generating each anew is felt at the start of the command."""

    def __init__(self, schema: CoreSchema) -> None:
        self.schema = core_schema.nullable_schema(schema)

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        """The finished schema."""
        return self.schema


MaybeFloat = Annotated[float | None, _Maybe(core_schema.float_schema())]
MaybeInt = Annotated[int | None, _Maybe(core_schema.int_schema())]
MaybeText = Annotated[str | None, _Maybe(core_schema.str_schema())]
MaybeFlag = Annotated[bool | None, _Maybe(core_schema.bool_schema())]


class Part(BaseModel):
    """Common settings of every part of the document."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        populate_by_name=True,
        serialize_by_alias=True,
        protected_namespaces=(),
        defer_build=True,
    )

    @classmethod
    def trusted(cls, values: dict[str, Any]) -> Self:
        """A part made of values that have their fields' types already: nothing is checked or converted.

        For parts of which a plan has thousands. `values` holds every field, by its name and in the fields' order, and
        belongs to the part from then on.
        """
        made = cls.__new__(cls)
        keep = object.__setattr__
        keep(made, "__dict__", values)
        keep(made, "__pydantic_fields_set__", _names(cls))
        keep(made, "__pydantic_extra__", None)
        keep(made, "__pydantic_private__", None)
        return made


@cache
def _names(part: type[Part]) -> set[str]:
    """One set for all parts of a kind, none of which may change it: a set each would be half of what a part weighs."""
    return set(part.model_fields)
