"""What all parts of the audit document share."""

from typing import Literal

from pydantic import BaseModel, ConfigDict

Method = Literal["nested_loop", "hash", "merge"]


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
