"""What kind of statement a text is, and what running it would need.

This is the polite guard that names what is wrong before anything is sent; the real one is the server's read-only
transaction.  It errs on the side of refusing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from .lexer import Token
from .temporary import folded, made_temporary, makes_table_from_query

StatementKind = Literal["query", "write", "execute", "set", "reset", "prepare", "deallocate", "unfit"]

_WRITES = ("insert", "update", "delete", "merge")
# settings that would lift the executor's own guards, or change whose session it is
_GUARDED_SETTINGS = (
    "transaction_read_only",
    "transaction_isolation",
    "transaction_deferrable",
    "transaction",
    "constraints",
    "session_authorization",
    "statement_timeout",
    "lock_timeout",
    "idle_in_transaction_session_timeout",
    "idle_session_timeout",
    "transaction_timeout",
)


TEMPORARY = (
    "each query of a list gets a transaction of its own, so no temporary table is there for those after it: list the"
    " queries on a table that stays (CREATE UNLOGGED TABLE), or audit the plans that are taken in the session that"
    " fills the temporary one"
)
"""Why a list's temporary tables are of no use to it, and what to do."""


@dataclass(frozen=True, slots=True)
class Statement:
    """A classified statement.  `reason` says why it can't be run, or can't without permission; `subject` is the
    setting's or the prepared statement's name; `parameters` whether it holds `$1` and the like."""

    kind: StatementKind
    reason: str | None = None
    subject: str | None = None
    parameters: bool = False


def classify(words: Sequence[Token]) -> Statement:
    """Classify the tokens of one statement (comments left out; not empty)."""
    parameters = any(token.kind == "parameter" for token in words)
    first = words[0]
    if first.says("select", "with", "values", "table") or first.text == "(":
        return _query(words, parameters)
    if first.says(*_WRITES):
        return Statement("write", f"{first.text.upper()} changes rows", parameters=parameters)
    if makes_table_from_query(words):
        return Statement("write", "CREATE TABLE AS creates a table", parameters=parameters)
    if first.says("set"):
        return _set(words)
    if first.says("reset"):
        return Statement("reset", subject=setting_name(words[1:]))
    if first.says("prepare") and len(words) > 1 and not words[1].says("transaction"):
        return _prepare(words)
    if first.says("execute") and len(words) > 1:
        return Statement("execute", subject=folded(words[1]))
    if first.says("deallocate") and len(words) > 1:
        return Statement("deallocate", subject=None if words[-1].says("all") else folded(words[-1]))
    return Statement("unfit", _why_unfit(words))


def setting_name(words: Sequence[Token]) -> str | None:
    """The setting that SET or RESET names, in lower case; None for RESET ALL."""
    rest = list(words)
    if rest and rest[0].says("session", "local") and len(rest) > 1 and not rest[1].says("authorization"):
        rest = rest[1:]
    if not rest or rest[0].says("all"):
        return None
    if rest[0].says("time") and len(rest) > 1 and rest[1].says("zone"):
        return "timezone"
    if rest[0].says("session") and len(rest) > 1 and rest[1].says("authorization"):
        return "session_authorization"
    if rest[0].says("schema"):
        return "search_path"
    name = folded(rest[0])
    for dot, part in zip(rest[1::2], rest[2::2], strict=False):
        if dot.text != ".":
            break
        name += "." + folded(part)
    return name


def _query(words: Sequence[Token], parameters: bool) -> Statement:
    depth = 0
    for at, token in enumerate(words):
        depth += {"(": 1, ")": -1}.get(token.text, 0) if token.kind == "symbol" else 0
        if token.says(*_WRITES) and (
            _opens_cte(words, at) or (depth == 0 and words[0].says("with") and _begins(words, at))
        ):
            return Statement("write", f"the WITH query changes rows by {token.text.upper()}", parameters=parameters)
        if token.says("into"):
            return Statement("write", "SELECT INTO creates a table", parameters=parameters)
        if token.says("for") and _locks(words[at + 1 : at + 3]):
            return Statement("write", "FOR UPDATE and its kin lock rows", parameters=parameters)
    return Statement("query", parameters=parameters)


def _locks(following: Sequence[Token]) -> bool:
    """Do the words after FOR make a locking clause?  (A column may be called `no` or `key`.)"""
    if not following:
        return False
    first, second = following[0], following[-1]
    return (
        first.says("update", "share")
        or (first.says("no") and second.says("key"))
        or (first.says("key") and second.says("share"))
    )


def _opens_cte(words: Sequence[Token], at: int) -> bool:
    """Does the word follow `AS (`, `AS MATERIALIZED (` or `AS NOT MATERIALIZED (`?"""
    if at < 2 or words[at - 1].text != "(":
        return False
    before = at - 2
    if words[before].says("materialized"):
        before -= 1
        if before >= 0 and words[before].says("not"):
            before -= 1
    return before >= 0 and words[before].says("as")


def _begins(words: Sequence[Token], at: int) -> bool:
    """Does the word begin the main statement, that is follow the closing parenthesis of a WITH query?"""
    return words[at - 1].text == ")"


def _set(words: Sequence[Token]) -> Statement:
    name = setting_name(words[1:])
    if name is None:
        return Statement("unfit", "SET names no setting")
    if (
        name in _GUARDED_SETTINGS
        or name.startswith("default_transaction")
        or (words[1].says("session") and name == "characteristics")
    ):
        return Statement("unfit", f"SET {name} would lift a guard of this tool")
    return Statement("set", subject=name)


def _prepare(words: Sequence[Token]) -> Statement:
    name = folded(words[1])
    body = next((at for at, token in enumerate(words) if token.says("as")), None)
    if body is None or body + 1 >= len(words):
        return Statement("unfit", "PREPARE lacks a statement")
    inner = classify(words[body + 1 :])
    return (
        Statement("prepare", inner.reason, subject=name)
        if inner.kind != "query"
        else Statement("prepare", subject=name)
    )


def _why_unfit(words: Sequence[Token]) -> str:
    first = words[0]
    if first.kind == "meta":
        return f"{first.text.split()[0]} is a command of psql, not SQL"
    if first.kind == "broken":
        return "a string, name or comment that begins here never ends"
    if made_temporary(words) is not None:
        return f"a temporary table has no plan of its own; {TEMPORARY}"
    if first.says("explain"):
        return "the statement is an EXPLAIN already: list the query alone"
    if first.says("begin", "start", "commit", "end", "rollback", "abort", "savepoint", "release"):
        return f"{first.text.upper()}: each query gets a transaction of its own, which is rolled back"
    return f"{first.text.upper()[:40]} has no plan that could be audited"
