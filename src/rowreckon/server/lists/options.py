"""Settings that the command line puts before every item: a role, and settings by name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from psycopg import sql

from rowreckon.errors import UsageError
from rowreckon.server.connecting.guards import guarded
from rowreckon.server.lists.querylist import QueryItem


def setting_statements(role: str | None, settings: Sequence[str]) -> tuple[str, ...]:
    """SET LOCAL statements for `--role` and each `--set name=value`. Raises UsageError for what must not be set."""
    found: list[str] = []
    if role is not None:
        found.append(sql.SQL("SET LOCAL ROLE {}").format(sql.Identifier(role)).as_string(None))
    for given in settings:
        name, equals, value = given.partition("=")
        name = name.strip()
        if not equals or not name:
            raise UsageError(f"--set {given!r} has no value", hint="write --set work_mem=64MB")
        if "\0" in given:
            raise UsageError(f"--set {name!r} holds a NUL character", hint="write --set work_mem=64MB")
        if guarded(name):
            raise UsageError(
                f"--set {name}: SET {name.lower()} would lift a guard of this tool",
                hint="the time limits have options of their own",
            )
        if name.lower() == "role":
            raise UsageError("--set role: the role has an option of its own", hint="give --role NAME")
        parts = sql.SQL(".").join(map(sql.Identifier, name.lower().split(".")))
        values = [v.strip() for v in value.split(",")] if name.lower() == "search_path" else [value.strip()]
        joined = sql.SQL(", ").join(map(sql.Literal, values))
        found.append(sql.SQL("SET LOCAL {} = {}").format(parts, joined).as_string(None))
    return tuple(found)


def with_settings(items: Sequence[QueryItem], statements: Sequence[str]) -> tuple[QueryItem, ...]:
    """Every item with these before its own settings, so that the list has the last word."""
    return tuple(replace(item, settings=(*statements, *item.settings)) for item in items)
