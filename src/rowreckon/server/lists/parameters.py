"""Values for a query's parameters, from a TOML file: a table named after the query, in it one array for each set.

    [bookings-of-a-hut]
    busy = [17, 2026-08-01]
    quiet = [3, 2026-02-01]

Each set becomes an item of its own, run as a prepared statement, so that PostgreSQL itself settles the types.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from psycopg import sql

from rowreckon.bounded import read_toml
from rowreckon.errors import UsageError
from rowreckon.server.lists.querylist import QueryItem

STATEMENT = "rowreckon_query"
"""The prepared statement's name, for as long as its transaction lasts."""

Sets = Mapping[str, Mapping[str, Sequence[object]]]


def read_parameters(path: Path) -> dict[str, dict[str, list[object]]]:
    """Query name to set name to values. Raises UnreadableFile, InputTooLarge or UsageError with the place."""
    document = read_toml(path, "the file of parameters")
    found: dict[str, dict[str, list[object]]] = {}
    for query, sets in document.items():
        if not isinstance(sets, dict) or not all(isinstance(values, list) for values in sets.values()):
            raise UsageError(
                f"the parameters of {query!r} are no table of arrays",
                where=str(path),
                hint=f"write [{json.dumps(query)}] and below it a line such as: busy = [17, 2026-08-01]",
            )
        found[query] = sets
    return found


def bind(items: Sequence[QueryItem], sets: Sets, path: Path) -> tuple[QueryItem, ...]:
    """Items with parameters, once for each of their sets; without a set they stay as they are (and are skipped).

    Raises UsageError for sets that belong to no query of the list, or for a value that SQL has no literal for.
    """
    unknown = sorted(set(sets) - {item.name for item in items if item.parameters})
    if unknown:
        raise UsageError(
            f"there are parameters for {', '.join(unknown)}, but no query of that name with $1",
            where=str(path),
            hint="name it by a line '-- name: …' above",
        )
    out: list[QueryItem] = []
    for item in items:
        if not item.parameters or not sets.get(item.name):
            out.append(item)
            continue
        for name, values in sets[item.name].items():
            shown = item.name if len(sets[item.name]) == 1 else f"{item.name} [{name}]"
            out.append(_bound(item, shown, values, path))
    return tuple(out)


def _bound(item: QueryItem, name: str, values: Sequence[object], path: Path) -> QueryItem:
    arguments = ", ".join(literal(value, f"{path}, {name}") for value in values)
    return replace(
        item,
        name=name,
        text=f"EXECUTE {STATEMENT}({arguments})" if values else f"EXECUTE {STATEMENT}",
        written=item.text,
        kind="execute" if item.kind == "query" else item.kind,
        prepared=((STATEMENT, f"PREPARE {STATEMENT} AS {item.text}"),),
        parameters=False,
    )


def literal(value: object, where: str) -> str:
    """A TOML value as an SQL literal; an array as PostgreSQL writes one, {} (an empty table) as null."""
    if isinstance(value, bool | int | float | datetime.date | datetime.time):
        return sql.Literal(value).as_string(None)
    if isinstance(value, str):
        if "\0" in value:
            raise UsageError("a parameter holds a NUL character", where=where)
        return sql.Literal(value).as_string(None)
    if value == {}:
        return "null"
    if isinstance(value, list):
        return sql.Literal(_array(value, where)).as_string(None)
    kind = "a table" if isinstance(value, Mapping) else type(value).__name__
    raise UsageError(f"{kind} is no value for a parameter", where=where, hint="give a number, text, date or array")


def _array(values: Sequence[object], where: str) -> str:
    parts = []
    for value in values:
        if isinstance(value, list):
            parts.append(_array(value, where))
        elif value == {}:
            parts.append("null")
        else:
            text = str(value).lower() if isinstance(value, bool) else str(value)
            escaped = text.replace("\\", "\\\\").replace('"', '\\"')
            parts.append(f'"{escaped}"')
    return "{" + ",".join(parts) + "}"
