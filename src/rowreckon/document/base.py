"""What all parts of the audit document share."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from rowreckon.record import Record

Method = Literal["nested_loop", "hash", "merge"]


class _Maybe:
    """Gives pydantic a finished schema of "such a value, or None": there are more than a hundred such fields, and
    generating each anew is felt where a document is read or printed."""

    def __init__(self, kind: str) -> None:
        self.kind = kind

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        """The finished schema."""
        return {"type": "nullable", "schema": {"type": self.kind}}


MaybeFloat = Annotated[float | None, _Maybe("float")]
MaybeInt = Annotated[int | None, _Maybe("int")]
MaybeText = Annotated[str | None, _Maybe("str")]
MaybeFlag = Annotated[bool | None, _Maybe("bool")]


class Part(Record):
    """Any part of the document."""
