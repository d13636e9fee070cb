"""Which functions of a plan could act outside a read-only transaction that is rolled back: a second net.

What a statement may execute is judged before it is planned (`judging`).  The plan then shows once more what it calls,
by names that the server itself resolved; a name that the judging would refuse is refused here too.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.neutral import neutral_path, schemas_in_force
from rowreckon.server.judging.node_trees import FIRST_OWN
from rowreckon.server.judging.reviewed import why_not, why_not_of_others

Name = tuple[str | None, str]

_FUNCTIONS = """
select distinct n.nspname, p.proname, p.oid::int8, p.provolatile, case when l.lanname = 'c' then p.prosrc end
from pg_proc p join pg_namespace n on n.oid = p.pronamespace join pg_language l on l.oid = p.prolang
join unnest(%s::text[], %s::text[]) w(schema, name) on p.proname = w.name::name
where w.schema is null or n.nspname = w.schema
order by 1, 2
"""
_NO_CALLS = ("and", "or", "not", "any", "all", "when", "then", "else", "coalesce", "greatest", "least", "row")
"""Key words of every release that EXPLAIN prints before a bracket; it prints a function of such a name in quotes."""


@dataclass(slots=True)
class PlannedCalls:
    """Looks at what plans call over one connection. A name under which there are functions is looked up once."""

    connection: Connection
    _known: dict[Name, list[tuple[Any, ...]]] = field(default_factory=dict)

    def volatile(self, document: Any, *, writing: bool = False) -> list[str]:
        """Qualified names of functions, other than harmless ones, that the plan may call. Needs an open transaction.

        `document` is what EXPLAIN (VERBOSE, FORMAT JSON) gave, which prints the schema of all that the search path does
        not show.  Where a name is overloaded, one volatile namesake counts.
        """
        called = sorted({name for text in _texts(document) for name in _calls(text)} | set(_scans(document)), key=str)
        self._look_up([name for name in called if name not in self._known])
        found = [(name, row) for name in called for row in self._known.get(name, ()) if _acts(row, writing=writing)]
        if not found:
            return []
        path = schemas_in_force(self.connection)
        return sorted({f"{row[0]}.{row[1]}" for (schema, _), row in found if schema is not None or row[0] in path})

    def _look_up(self, names: list[Name]) -> None:
        """What functions of these names there are, on the path or not: the next item's path may be another."""
        if not names:
            return
        given = ([schema for schema, _ in names], [name for _, name in names])
        with neutral_path(self.connection):
            rows = self.connection.execute(_FUNCTIONS.encode(), given).fetchall()
        for name in names:
            there = [row for row in rows if row[1] == name[1] and name[0] in (None, row[0])]
            if there:
                self._known[name] = there


def _acts(row: tuple[Any, ...], *, writing: bool) -> bool:
    _, name, oid, volatility, symbol = row
    own = oid >= FIRST_OWN
    return (
        why_not_of_others(name, symbol, volatility) if own else why_not(name, volatility, writing=writing)
    ) is not None


def _scans(value: Any) -> Iterator[Name]:
    """The functions of Function Scans, which are named without brackets."""
    if isinstance(value, dict):
        if isinstance(value.get("Function Name"), str):
            yield (value.get("Schema"), value["Function Name"])
        for inner in value.values():
            yield from _scans(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _scans(inner)


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for inner in value.values():
            yield from _texts(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _texts(inner)


def _calls(text: str) -> Iterator[Name]:
    """Every name that an opening bracket follows, with its schema; key words among them match no function.

    In a text that the scanner can't read to its end (a table's name with a quote in it) every word counts.
    """
    from rowreckon.sql.grammar import NotSql, scan

    if "(" not in text:
        return
    try:
        tokens = scan(text)
    except NotSql:
        bare = "".join(c if c.isalnum() or c in "_$" else " " for c in text)
        yield from ((None, word) for word in bare.split())
        return
    for at, token in enumerate(tokens[1:], start=1):
        name = _name(tokens[at - 1]) if token.text == "(" and not tokens[at - 1].says(*_NO_CALLS) else None
        if name is not None:
            qualified = at > 2 and tokens[at - 2].text == "."
            yield (_name(tokens[at - 3]) if qualified else None, name)


def _name(token: Any) -> str | None:
    if token.kind == "word":
        return str(token.text)
    if token.kind == "name" and token.text.startswith('"'):
        return str(token.text[1:-1].replace('""', '"'))
    return None
