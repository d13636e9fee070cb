"""The request: what to ask a server about some plans, as plain values that travel to it as one JSON document.

No text of a plan is in it as SQL.  What is asked stands in `texts`, printed from trees that were checked node by node;
everything else that came from a plan are names and descriptions, which the server compares or quotes.
"""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal

from pydantic import Field

from .parts import Fact

Trust = Literal["file", "own_list"]
"""Where the plans come from, which decides what the server may be asked to plan.

`file`: from elsewhere.  Built-in functions, operators and types only, looked up before anything is planned, and nothing
on relations that carry code of their own.  `own_list`: this server has just made them for statements that were judged;
what those statements use may be used again, under the same search path.
"""

COMPARISONS = ("=", "<", "<=", ">", ">=")
"""Operators between two columns or expressions about which the planner can be asked."""


class WantedText(Fact):
    """An expression to ask about: SQL of our own printing, and all that it names, each without its schema.

    `functions` and `operators` have the number of their arguments; `enums` are types with their schema, if the plan
    names one, that must turn out to be enums; `columns` are pairs of alias and column.
    """

    plan: int
    sql: str
    functions: tuple[tuple[str, int], ...] = ()
    operators: tuple[tuple[str, int], ...] = ()
    types: tuple[str, ...] = ()
    enums: tuple[tuple[str | None, str], ...] = ()
    collations: tuple[str, ...] = ()
    columns: tuple[tuple[str, str], ...] = ()


class WantedRelation(Fact):
    """A scan of a relation: its names, its own restrictions, the columns needed above it, the indexes it reads.

    Without VERBOSE a plan tells only the columns that conditions and keys name; `columns_complete` is then False.
    `conditions` and `columns` are spelled as the plan has them; each has its place in the request's `texts`, from 1,
    in `condition_texts` and `column_texts`. `compared` are columns that a comparison keeps from being null.
    """

    plan: int
    schema_name: str | None = None
    name: str
    alias: str
    conditions: tuple[str, ...] = ()
    condition_texts: tuple[int, ...] = ()
    left_out: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    column_texts: tuple[int, ...] = ()
    columns_complete: bool = False
    indexes: tuple[str, ...] = ()
    compared: tuple[str, ...] = ()


class WantedTable(Fact):
    """A partitioned table of which a plan scans partitions: its alias, one of the partitions, its own restrictions.

    The plan does not name the table; the server finds it above the partition. `condition_texts` are places in `texts`
    of the restrictions that all scanned partitions share, by which the planner left others out.
    """

    plan: int
    alias: str
    member_schema: str | None = None
    member: str
    condition_texts: tuple[int, ...] = ()


class WantedClause(Fact):
    """One comparison between columns or expressions of two scans, spelled as the plan has it.

    `left_text` and `right_text` are the places of the sides in `texts`, `left_cast` and `right_cast` the casts around a
    plain column (`::text`), `operator_schema` is None where the search path finds the operator.
    """

    plan: int
    left_alias: str
    left: str
    left_column: str | None = None
    left_text: int | None = None
    left_cast: str | None = None
    right_alias: str
    right: str
    right_column: str | None = None
    right_text: int | None = None
    right_cast: str | None = None
    operator: str
    operator_schema: str | None = None


class WantedPair(Fact):
    """Two scans and all clauses that name both of them and nothing else, with their places in `texts`."""

    plan: int
    left_alias: str
    right_alias: str
    clauses: tuple[str, ...]
    clause_texts: tuple[int, ...] = ()


class NotAsked(Fact):
    """An expression of a plan that goes unasked, and why, in words that follow 'it'."""

    plan: int
    alias: str
    text: str
    why: str


class FactsRequest(Fact):
    """Everything to ask about a number of plans; `plan` in its parts is the plan's position."""

    plans: Annotated[int, Field(strict=True, ge=0, le=100_000)] = 1
    trust: Trust = "file"
    relations: tuple[WantedRelation, ...] = ()
    tables: tuple[WantedTable, ...] = ()
    clauses: tuple[WantedClause, ...] = ()
    pairs: tuple[WantedPair, ...] = ()
    texts: tuple[WantedText, ...] = ()
    not_asked: tuple[NotAsked, ...] = ()
    functions: tuple[str, ...] = ()
    operators: tuple[str, ...] = ("=",)
    with_values: bool = False


def as_json(request: FactsRequest, *, ascii_only: bool) -> str:
    """The request as it travels. What no server's text can hold (NUL, half a character) becomes a replacement mark."""
    return json.dumps(_clean(request.model_dump(mode="json")), ensure_ascii=ascii_only)


def _clean(value: Any) -> Any:
    if isinstance(value, str):
        return value if value.isprintable() else "".join(_UNFIT.get(c, c) for c in value)
    if isinstance(value, dict):
        return {key: _clean(inner) for key, inner in value.items()}
    return [_clean(inner) for inner in value] if isinstance(value, list) else value


_UNFIT = dict.fromkeys(["\0", *map(chr, range(0xD800, 0xE000))], "\ufffd")


def quoted(*names: str) -> str:
    """Names joined by dots, each quoted for SQL."""
    return ".".join('"' + name.replace('"', '""') + '"' for name in names)
