"""Who may see what at the source: roles, owners, grants and policies, as typed values of a stand-in's facts."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field

from rowreckon.bounds import Oid, Text

from .parts import Identifier, Part

MOST_ROLES: Final = 300
"""Most roles of one file that are made on a stand-in; no source."""
Privilege = Annotated[str, Field(max_length=20)]
_Some = Field(max_length=10_000)


class SourceRole(Part):
    """`member_of`: other roles, and whether their rights are had without SET ROLE; `current` read the facts."""

    name: Identifier
    superuser: bool
    bypasses: bool
    current: bool = False
    member_of: Annotated[tuple[tuple[Identifier, bool], ...], _Some] = ()


class SourceRights(Part):
    """Who owns a relation, and who has which privilege on it or on a column; no name stands for everybody."""

    relation: Oid
    owner: Identifier
    forced: bool
    grants: Annotated[tuple[tuple[Identifier | None, Privilege], ...], _Some] = ()
    column_grants: Annotated[tuple[tuple[int, Identifier | None, Privilege], ...], _Some] = ()


class SourcePolicy(Part):
    """A policy of row security; without roles it is for everybody."""

    oid: Oid
    relation: Oid
    name: Identifier
    command: Literal["r", "a", "w", "d", "*"]
    permissive: bool
    roles: Annotated[tuple[Identifier, ...], _Some] = ()
    printed: bool
    using: Text | None = None
    check: Text | None = None


_TAKEN: Final = frozenset({"postgres", "public", "none", "rowreckon_maker", "rowreckon_reader"})
_PREDEFINED: Final = frozenset({"pg_read_all_data", "pg_write_all_data"})
"""Roles of PostgreSQL's own that give rights on tables; those that reach outside of the database are never given."""


def role_there(name: str) -> str | None:
    """What a role of the source is called on the stand-in, some names being taken; None for one not made."""
    if name in _PREDEFINED:
        return name
    if name.startswith("pg_"):
        return None
    return f"their {name}"[:63] if name in _TAKEN else name
