"""What a caller has been allowed to do on a server, and for how long: values that every execution must be given."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyPermission:
    """Leave to run statements.  The default permits only queries, in a read-only transaction that is rolled back.

    `writes` lets statements that change rows run, rolled back all the same: sequences advance and effects on other
    servers stay.  `volatile` lets queries execute what is not known to be harmless: volatile functions, foreign tables
    and whatever else can act outside the transaction.  `role_changes` lets a list take on another role (SET ROLE).
    """

    writes: bool = False
    volatile: bool = False
    role_changes: bool = False


class NotPermitted(Exception):
    """What was about to be done is not covered by the permission; the message says why, in a sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Time limits of one query, in ms; 0 switches one off, as in PostgreSQL."""

    statement_ms: int = 60_000
    lock_ms: int = 1_000
    idle_ms: int = 30_000
