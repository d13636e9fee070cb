"""What all parts of the audit document share."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict
from pydantic_core import CoreSchema, core_schema

Method = Literal["nested_loop", "hash", "merge"]


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
