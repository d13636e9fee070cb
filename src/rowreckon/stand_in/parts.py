"""What all values of a stand-in's facts are: frozen, bounded, and read from a document that nobody believes."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from rowreckon.bounds import Oid

Identifier = Annotated[str, Field(min_length=1, max_length=255)]
Values = Annotated[str, Field(max_length=4_000_000)]
"""An array as PostgreSQL writes it: a statistics target of 10,000, values of some hundred characters."""


class Part(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True, defer_build=True, protected_namespaces=())


class Named(Part):
    """An object of a schema; `oid` is the source's."""

    oid: Oid
    schema_: Annotated[Identifier, Field(alias="schema")]
    name: Identifier
