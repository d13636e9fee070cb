"""Temporary tables of a query list: which statement makes one, and which queries read it.

They are not replayed: each query gets a transaction of its own, on copies that no session has filled. A query that
reads one is not run, since a permanent table of the same name would take its place unnoticed.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Sequence

from .lexer import Token, tokens

_SCHEMA = "pg_temp"


def folded(token: Token) -> str:
    """A name as the server folds it: quoted as written, else lower case."""
    if token.kind == "name" and token.text.startswith('"'):
        return token.text[1:-1].replace('""', '"')
    return token.text.lower()


def made_temporary(words: Sequence[Token]) -> str | None:
    """The name of the temporary table or view that a statement makes (without its schema); None if it makes none."""
    at = (
        next((n for n, token in enumerate(words) if token.says("into")), None) if words[0].says("select", "with") else 0
    )
    if at is None:
        return None
    rest = list(words[at + 1 :])
    if words[0].says("create"):
        while rest and rest[0].says("or", "replace", "global", "local"):
            rest.pop(0)
    elif not words[0].says("select", "with"):
        return None
    is_temporary = bool(rest) and rest[0].says("temp", "temporary")
    while rest and rest[0].says("temp", "temporary", "recursive", "table", "view", "if", "not", "exists"):
        rest.pop(0)
    if not rest or rest[0].kind not in ("word", "name"):
        return None
    if len(rest) > 2 and rest[1].text == ".":
        return folded(rest[2]) if is_temporary or folded(rest[0]) == _SCHEMA else None
    return folded(rest[0]) if is_temporary else None


def makes_table_from_query(words: Sequence[Token]) -> bool:
    """Whether it is CREATE TABLE … AS with a query, whose plan can be audited like any other."""
    if not words[0].says("create"):
        return False
    head = [token for token in words[1:6] if token.says("table")]
    if not head:
        return False
    depth = 0
    for token, after in itertools.pairwise(words):
        depth += {"(": 1, ")": -1}.get(token.text, 0) if token.kind == "symbol" else 0
        if depth == 0 and token.says("as"):
            return after.says("select", "with", "values", "table") or after.text == "("
    return False


def dropped(words: Sequence[Token]) -> frozenset[str]:
    """The names that a DROP statement takes away (without their schemas)."""
    if not words[0].says("drop", "discard"):
        return frozenset()
    return frozenset(folded(token) for token in words[1:] if token.kind in ("word", "name"))


def read_by(text: str, names: Collection[str]) -> str | None:
    """The first of these tables that a query names; None if it names none of them."""
    if not any(folded(token) in names for token in tokens(text) if token.kind in ("word", "name")):
        return None
    from sqlglot import exp, parse_one
    from sqlglot.errors import SqlglotError

    try:
        tree = parse_one(text, dialect="postgres")
    except SqlglotError:
        return next(
            folded(token) for token in tokens(text) if token.kind in ("word", "name") and folded(token) in names
        )
    own = {_name(cte.args["alias"].this) for cte in tree.find_all(exp.CTE)}
    for table in tree.find_all(exp.Table):
        name = _name(table.this)
        if name in names and name not in own and (not table.db or table.db.lower() == _SCHEMA):
            return name
    return None


def _name(node: object) -> str:
    from sqlglot import exp

    if not isinstance(node, exp.Identifier):
        return ""
    return str(node.this) if node.args.get("quoted") else str(node.this).lower()
