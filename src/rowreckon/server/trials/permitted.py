"""Whether a server may be given a change: what its expressions call is looked up in the catalog before.

A function of an expression runs for every row as soon as an index is built or a table is analyzed. So each function
and operator has to be there and immutable, in every variant that its name could mean; for statistics, which take such
ones, PostgreSQL's own may be stable. Where the expression came with a
file, PostgreSQL's own ones alone will do: a file is no reason to run what somebody else made.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from rowreckon.remedies.change import TRIED, Change, read_change
from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.neutral import schemas_in_force
from rowreckon.server.judging.node_trees import FIRST_OWN
from rowreckon.server.judging.reviewed import ACTING
from rowreckon.sql.grammar import NotSql
from rowreckon.sql.scalar import Name, in_words

# The path in force decides what a change's names mean, so it stays, and each operator has its schema.
_FUNCTIONS = """
select n.nspname::pg_catalog.text, p.proname::pg_catalog.text, p.oid::pg_catalog.int8, p.provolatile::pg_catalog.text,
  p.prokind operator(pg_catalog.=) 'f' and not p.proretset, p.pronargs operator(pg_catalog.-) p.pronargdefaults,
  case when p.provariadic operator(pg_catalog.<>) 0::pg_catalog.oid then 100 else p.pronargs end,
  not exists (select from pg_catalog.unnest(p.proargtypes::pg_catalog.oid[]) a(type)
              where a.type operator(pg_catalog.>=) 16384::pg_catalog.oid)
from pg_catalog.pg_proc p join pg_catalog.pg_namespace n on n.oid operator(pg_catalog.=) p.pronamespace
where p.proname operator(pg_catalog.=) any(%s::pg_catalog.name[])
"""
_OPERATORS = """
select n.nspname::pg_catalog.text, o.oprname::pg_catalog.text, o.oid::pg_catalog.int8, p.provolatile::pg_catalog.text,
  not p.proretset,
  case when o.oprkind operator(pg_catalog.=) 'b' then 2 else 1 end,
  case when o.oprkind operator(pg_catalog.=) 'b' then 2 else 1 end,
  o.oprleft operator(pg_catalog.<) 16384::pg_catalog.oid and o.oprright operator(pg_catalog.<) 16384::pg_catalog.oid
from pg_catalog.pg_operator o join pg_catalog.pg_namespace n on n.oid operator(pg_catalog.=) o.oprnamespace
join pg_catalog.pg_proc p on p.oid operator(pg_catalog.=) o.oprcode::pg_catalog.oid
where o.oprname operator(pg_catalog.=) any(%s::pg_catalog.name[])
"""
_TYPES = """
select n.nspname::pg_catalog.text, t.typname::pg_catalog.text, t.oid::pg_catalog.int8, t.typtype::pg_catalog.text
from pg_catalog.pg_type t join pg_catalog.pg_namespace n on n.oid operator(pg_catalog.=) t.typnamespace
where t.typname operator(pg_catalog.=) any(%s::pg_catalog.name[])
"""
_CASTS = """
select c.castsource::pg_catalog.regtype::pg_catalog.text, c.casttarget::pg_catalog.regtype::pg_catalog.text
from pg_catalog.pg_cast c join pg_catalog.pg_proc p on p.oid operator(pg_catalog.=) c.castfunc
where c.oid operator(pg_catalog.>=) 16384::pg_catalog.oid and (p.provolatile operator(pg_catalog.<>) 'i'
  or (%s and c.castsource operator(pg_catalog.<) 16384::pg_catalog.oid
      and c.casttarget operator(pg_catalog.<) 16384::pg_catalog.oid)) limit 1
"""
_COLUMNS = """
select a.attname::pg_catalog.text from pg_catalog.pg_attribute a
where a.attrelid operator(pg_catalog.=) pg_catalog.to_regclass(%s)::pg_catalog.oid
  and a.attname operator(pg_catalog.=) any(%s::pg_catalog.name[])
  and a.atttypid operator(pg_catalog.>=) 16384::pg_catalog.oid limit 1
"""


@dataclass(frozen=True, slots=True)
class _Rule:
    """Whether only what is PostgreSQL's own may be called, and whether that may be stable."""

    built_in_only: bool
    stable: bool


@dataclass(frozen=True, slots=True)
class _Variant:
    """One function or operator that a name could mean."""

    schema: str
    name: str
    own: bool
    volatility: str
    plain: bool
    least: int
    most: int
    of_built_in_types: bool


def permitted(
    connection: Connection, statements: Iterable[str], *, built_in_only: bool
) -> tuple[tuple[Change, ...], str | None]:
    """The statements as changes that may be sent, or why one of them may not. Raises psycopg.Error."""
    changes: list[Change] = []
    for statement in statements:
        try:
            change = read_change(statement)
        except NotSql as error:
            return (), f"it is not sent to the server: {in_words(error)}"
        reason = _unfit(change) or next(_obstacles(connection, change, built_in_only=built_in_only), None)
        if reason is not None:
            return (), f"it is not sent to the server: {reason}"
        changes.append(change)
    return tuple(changes), None


def _unfit(change: Change) -> str | None:
    if change.kind not in TRIED:
        return "it is no change that a trial makes"
    if change.beside:
        return f"a trial builds no index with {', '.join(change.beside)}"
    return None


def _obstacles(connection: Connection, change: Change, *, built_in_only: bool) -> Iterator[str]:
    if not change.expressions:
        return
    path = frozenset(schemas_in_force(connection))
    uses = change.uses
    rule = _Rule(built_in_only, stable=change.kind == "statistics" and not built_in_only)
    yield from _called(connection, _FUNCTIONS, "function", uses.functions, path, rule)
    yield from _called(connection, _OPERATORS, "operator", uses.operators, path, rule)
    yield from _types(connection, uses.types, path, built_in_only=built_in_only)
    namesakes = [name[-1] for name, _ in uses.functions]
    for schema, name, oid, _ in connection.execute(_TYPES, (namesakes,)).fetchall():
        if oid >= FIRST_OWN and schema in path:
            yield f"{name} is a type of this database as well as a function"
    cast = connection.execute(_CASTS, (built_in_only,)).fetchone()
    if cast is not None:
        yield f"the database has a cast of its own, from {cast[0]} to {cast[1]}, that it could call"
    if built_in_only:
        for table in change.tables[:1]:
            column = connection.execute(_COLUMNS, (table, sorted(uses.columns))).fetchone()
            if column is not None:
                yield f"its expression came with a file, and column {column[0]} has a type that is not PostgreSQL's own"


def _called(
    connection: Connection,
    query: str,
    what: str,
    wanted: Iterable[tuple[Name, int]],
    path: frozenset[str],
    rule: _Rule,
) -> Iterator[str]:
    """Why functions or operators of these names, with their number of operands, can't be called."""
    wanted = sorted(wanted)
    rows = connection.execute(query.encode(), ([name[-1] for name, _ in wanted],)).fetchall() if wanted else []
    found = [_Variant(r[0], r[1], r[2] >= FIRST_OWN, *r[3:]) for r in rows]
    for name, operands in wanted:
        shown = ".".join(name)
        meant = [v for v in found if _names(v.schema, v.name, name, path) and v.least <= operands <= v.most]
        meant = [v for v in meant if v.plain]
        built_in = [v for v in meant if not v.own]
        own = [v for v in meant if v.own]
        if not meant:
            yield f"there is no {what} {shown} that an expression could call"
        elif rule.built_in_only and (not built_in or any(v.of_built_in_types for v in own)):
            yield f"its expression came with a file, and {what} {shown} is not PostgreSQL's own"
        elif not _immutable(own, built_in, stable=rule.stable and name[-1] not in ACTING):
            yield f"{what} {shown} is not immutable"


def _immutable(own: Sequence[_Variant], built_in: Sequence[_Variant], *, stable: bool) -> bool:
    """Every variant of the database's own; of PostgreSQL's own one at least, where none is volatile.

    PostgreSQL's date_trunc is immutable for one type and stable for another, and neither does anything. With `stable`
    its own need not be immutable in any.
    """
    if any(v.volatility == "v" for v in built_in) or any(v.volatility != "i" for v in own):
        return False
    return stable or not built_in or bool(own) or any(v.volatility == "i" for v in built_in)


def _types(
    connection: Connection, wanted: Iterable[Name], path: frozenset[str], *, built_in_only: bool
) -> Iterator[str]:
    wanted = sorted(wanted)
    rows = connection.execute(_TYPES, ([name[-1] for name in wanted],)).fetchall() if wanted else []
    for name in wanted:
        shown = ".".join(name)
        meant = [(oid, kind) for schema, known, oid, kind in rows if _names(schema, known, name, path)]
        if not meant:
            yield f"there is no type {shown}"
        elif any(kind not in ("b", "e", "r", "m") for _, kind in meant):
            yield f"type {shown} is a domain or a row, whose checks could run"
        elif built_in_only and any(oid >= FIRST_OWN for oid, _ in meant):
            yield f"its expression came with a file, and type {shown} is not PostgreSQL's own"


def _names(schema: str, known: str, name: Name, path: frozenset[str]) -> bool:
    """Whether an object could be meant by a name."""
    return known == name[-1] and (schema == name[0] if len(name) == 2 else schema in path)
