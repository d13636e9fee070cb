"""Schema files read one after the other: what they tell together, and what in them could not be read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import takewhile
from pathlib import Path
from typing import Final

from rowreckon.bounded import read_bytes
from rowreckon.errors import UnreadableFile
from rowreckon.files import shown

from .apply import apply, needs_reading
from .schema import Schema
from .script import Part, parts
from .working import CannotApply

_OF_NO_MATTER: Final = frozenset(
    {
        "\\.",
        "\\restrict",
        "\\unrestrict",
        "\\connect",
        "\\c",
        "\\encoding",
        "\\set",
        "\\unset",
        "\\echo",
        "\\qecho",
        "\\warn",
        "\\timing",
        "\\pset",
        "\\t",
        "\\a",
        "\\x",
        "\\copy",
        "\\d",
        "\\q",
        "\\prompt",
        "\\password",
    }
)
_CUSTOM: Final = b"PGDMP"
_SHOWN: Final = 3
_BRINGS: Final = frozenset({"\\i", "\\ir", "\\include", "\\include_relative", "\\gexec", "\\if", "\\g"})
_HEADS: Final = frozenset(
    {
        *("create", "alter", "drop", "do", "call", "select", "with", "set", "rollback", "execute", "or", "replace"),
        *("unique", "index", "table", "only", "view", "materialized", "function", "schema", "statistics", "unlogged"),
    }
)


@dataclass(slots=True)
class SchemaFiles:
    """What the files told: the `schema` as they leave it, the `files` as given, and a sentence for what is unread."""

    schema: Schema = field(default_factory=Schema)
    files: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    statements: int = 0


def read_schema_files(paths: Sequence[Path], most_bytes: int) -> SchemaFiles:
    """The files in their order, each of at most `most_bytes`.

    Raises UnreadableFile or InputTooLarge for a file that can't be read at all, or in which nothing is of a schema.
    """
    found = SchemaFiles()
    for path in paths:
        read_text(found, shown(path), decoded(read_bytes(path, most_bytes, "the schema file"), shown(path)))
    return found


def decoded(content: bytes, name: str) -> str:
    """The text of a file. Raises UnreadableFile for a dump in pg_dump's own formats and for what is no UTF-8."""
    if content.startswith(_CUSTOM):
        raise UnreadableFile(
            "the dump is in pg_dump's custom format",
            where=name,
            hint="turn it into plain SQL with pg_restore --schema-only -f schema.sql",
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UnreadableFile("the schema file is no UTF-8 text", where=name, hint="save it as UTF-8") from None


def read_text(found: SchemaFiles, name: str, text: str) -> None:
    """Take in one file by its text. Raises UnreadableFile where no statement of it could be read as SQL."""
    unread: list[str] = []
    read = 0
    found.schema.search_path = ["public"]
    for part in parts(text):
        trouble = _take(found, part, f"{name}, line {part.line}")
        if trouble is None:
            read += part.command is None
        else:
            unread.append(f"{name}, line {part.line}: {_head(part)} is passed over, as {trouble}")
    if not read:
        raise UnreadableFile(
            "the schema file holds no SQL that could be read",
            where=name,
            hint="give migrations, what pg_dump --schema-only wrote, or an answer printed whole",
        )
    found.files.append(name)
    found.statements += read
    found.notes += unread[:_SHOWN]
    if len(unread) > _SHOWN:
        found.notes.append(f"{name}: {len(unread) - _SHOWN:,} more statements are passed over")


def _take(found: SchemaFiles, part: Part, place: str) -> str | None:
    """Why a part could not be taken in, None where it was."""
    if part.command is not None:
        if part.command in _OF_NO_MATTER:
            return None
        found.schema.doubt(None)
        return "what it brings is unknown, so no index counts as absent"
    if part.trouble is not None:
        found.schema.doubt(None)
        return f"{part.trouble}, so no index counts as absent"
    if not needs_reading(part.words):
        return None
    try:
        apply(found.schema, part.text, place)
    except CannotApply as error:
        return str(error)
    return None


def _head(part: Part) -> str:
    """The key words with which a part begins; never names or values of it, which nobody could mask in a note."""
    if part.command is not None:
        return part.command if part.command in _BRINGS else "a command of psql"
    words = list(takewhile(_HEADS.__contains__, part.words))
    return " ".join(words).upper() or "a statement"
