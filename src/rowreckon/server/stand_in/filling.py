"""Filling a stand-in: its database, its definitions, and the rows at the ends of indexed columns.

Definitions are run by a role that owns them and is no superuser; the superuser only makes that role and the database.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import psycopg
from psycopg import sql
from psycopg.adapt import Transformer
from psycopg.pq import Format

from rowreckon.errors import CannotStart
from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.stand_in.definitions import Definition
from rowreckon.stand_in.facts import SourceColumn, SourceRelation, SourceServer, StandInFacts
from rowreckon.stand_in.figures import ColumnEnds, EndRow
from rowreckon.stand_in.pages import PAGE

from .at_once import all_at_once, in_batches
from .collations import BYTEWISE
from .files import SEGMENT_PAGES

DATABASE: Final = "stand_in"
MAKER: Final = "rowreckon_maker"
READER: Final = "rowreckon_reader"


def check_build(admin: Connection) -> None:
    """Nothing where the programs were built with the blocks and files that a stand-in sets. Raises CannotStart."""
    rows = admin.execute(
        "select setting::int8 from pg_catalog.pg_settings where name in ('block_size', 'segment_size') order by name"
    ).fetchall()
    found = [int(row[0]) for row in rows]
    if found != [PAGE, SEGMENT_PAGES]:
        raise CannotStart(
            f"the server programs have {found[0]}-byte blocks, {found[1]} to a file, not {PAGE} and {SEGMENT_PAGES}",
            hint="name programs with PostgreSQL's own sizes by --servers",
        )


def make_database(admin: Connection, source: SourceServer) -> list[str]:
    """The database and the two roles; gives what is otherwise than at the source. Raises CannotStart."""
    troubles: list[str] = []
    try:
        for role in (MAKER, READER):
            admin.execute(
                sql.SQL("CREATE ROLE {} LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE").format(sql.Identifier(role))
            )
        # it stands for a superuser, and sees every row
        admin.execute(sql.SQL("ALTER ROLE {} BYPASSRLS").format(sql.Identifier(READER)))
        # rows at the ends stand alone: no foreign key of theirs is looked after
        admin.execute(sql.SQL("ALTER ROLE {} SET session_replication_role = replica").format(sql.Identifier(MAKER)))
        for attempt in (*_locales(source), None):
            try:
                admin.execute(_create_database(attempt))
                break
            except psycopg.Error as error:
                if attempt is None:
                    raise
                said = f"the collation of the source is not here ({first_line(error)}): texts sort by bytes"
                troubles = troubles or [said]
    except psycopg.Error as error:
        raise CannotStart(f"the stand-in's database could not be made: {first_line(error)}") from None
    return troubles


@dataclass(frozen=True, slots=True)
class _Locale:
    encoding: str
    provider: str | None
    collate: str
    ctype: str
    locale: str | None


def _locales(source: SourceServer) -> Iterator[_Locale]:
    """The source's, and those that stand in for one that is missing here."""
    if source.collate is None or source.ctype is None:
        return
    yield _Locale(source.encoding, source.provider, source.collate, source.ctype, source.locale)
    if source.collate not in ("C", "POSIX") or source.provider in ("i", "b"):
        for locale in BYTEWISE:
            yield _Locale(source.encoding, "c", locale, locale, None)


def _create_database(locale: _Locale | None) -> sql.Composed:
    parts: list[sql.Composable] = [
        sql.SQL("CREATE DATABASE {} TEMPLATE template0 OWNER {}").format(
            sql.Identifier(DATABASE), sql.Identifier(MAKER)
        )
    ]
    if locale is not None:
        parts.append(
            sql.SQL("ENCODING {} LC_COLLATE {} LC_CTYPE {}").format(
                sql.Literal(locale.encoding), sql.Literal(locale.collate), sql.Literal(locale.ctype)
            )
        )
        if locale.provider == "i" and locale.locale is not None:
            parts.append(sql.SQL("LOCALE_PROVIDER icu ICU_LOCALE {}").format(sql.Literal(locale.locale)))
        if locale.provider == "b" and locale.locale is not None:
            parts.append(sql.SQL("LOCALE_PROVIDER builtin BUILTIN_LOCALE {}").format(sql.Literal(locale.locale)))
    return sql.SQL(" ").join(parts)


def run_definitions(maker: Connection, made: Sequence[Definition]) -> list[str]:
    """Run them in their order; what fails is tried once more at the end, for what it needs may have come since."""
    waiting: list[Definition] = []
    for batch in in_batches(made):
        if waiting or not all_at_once(maker, [(each.text.encode(), None) for each in batch]):
            waiting += batch
    failed: list[tuple[Definition, str]] = []
    while waiting:
        failed = []
        for definition in waiting:
            try:
                maker.execute(definition.text.encode(), binary=True)
            except psycopg.Error as error:
                failed.append((definition, first_line(error)))
        if len(failed) == len(waiting):
            break
        waiting = [definition for definition, _ in failed]
    return [f"{definition.what} could not be made: {why}" for definition, why in failed]


def insert_ends(admin: Connection, maker: Connection, facts: StandInFacts) -> tuple[set[int], list[str]]:
    """Two rows for each table whose columns' ends are known: all smallest values, all largest, nothing else.

    Gives the tables (the source's OIDs) that hold them, and for the others why not; their ends go into the statistics.
    """
    by_relation: dict[int, list[ColumnEnds]] = {}
    for each in facts.ends:
        by_relation.setdefault(each.relation, []).append(each)
    columns = {(column.relation, column.number): column for column in facts.columns}
    more: dict[int, list[EndRow]] = {}
    for row in facts.end_rows:
        more.setdefault(row.relation, []).append(row)
    wanted: list[tuple[SourceRelation, list[_Insert]]] = []
    for relation in facts.relations:
        ends, extra = by_relation.get(relation.oid, []), more.get(relation.oid, [])
        if (ends or extra) and relation.kind in ("r", "m"):
            rows = (*_end_rows(ends, columns), *(_extra_row(each, columns) for each in extra))
            wanted.append((relation, [_insert(relation, row) for row in rows if row]))
    held: set[int] = set()
    troubles: list[str] = []
    with _without_not_null(admin):
        for batch in in_batches(wanted):
            if all_at_once(maker, [insert for _, inserts in batch for insert in inserts]):
                held.update(relation.oid for relation, _ in batch)
                continue
            for relation, inserts in batch:
                try:
                    with maker.transaction():
                        for statement, values in inserts:
                            maker.execute(statement, values)
                    held.add(relation.oid)
                except psycopg.Error as error:
                    troubles.append(f"{relation.name} can't hold the ends of its columns in rows: {first_line(error)}")
    return held, troubles


@contextlib.contextmanager
def _without_not_null(admin: Connection) -> Iterator[None]:
    """For the length of a block no column of a user's table has to have a value; afterwards each is as it was."""
    columns = admin.execute(
        "update pg_catalog.pg_attribute set attnotnull = false where attrelid >= 16384::oid and attnum > 0"
        " and attnotnull returning attrelid::int8, attnum"
    ).fetchall()
    try:
        yield
    finally:
        admin.execute(
            "update pg_catalog.pg_attribute a set attnotnull = true"
            " from rows from (pg_catalog.unnest(%s::oid[]), pg_catalog.unnest(%s::int2[])) w(relation, number)"
            " where a.attrelid = w.relation and a.attnum = w.number",
            ([row[0] for row in columns], [row[1] for row in columns]),
        )


def _end_rows(ends: Sequence[ColumnEnds], columns: dict[tuple[int, int], SourceColumn]) -> list[dict[str, str]]:
    low: dict[str, str] = {}
    high: dict[str, str] = {}
    for end in ends:
        column = columns.get((end.relation, end.number))
        if column is not None and not column.dropped and column.generated is None:
            low[column.name], high[column.name] = end.low, end.high
    rows = [low] if low == high else [low, high]
    return [row for row in rows if row]


def _extra_row(row: EndRow, columns: dict[tuple[int, int], SourceColumn]) -> dict[str, str]:
    named = ((columns.get((row.relation, n)), value) for n, value in zip(row.numbers, row.values, strict=False))
    return {c.name: value for c, value in named if c is not None and value is not None and not c.dropped}


_Insert = tuple[sql.Composed, list[str]]


def _insert(relation: SourceRelation, row: dict[str, str]) -> _Insert:
    statement = sql.SQL("INSERT INTO {} ({}) VALUES ({})").format(
        sql.Identifier(relation.schema_, relation.name),
        sql.SQL(", ").join(map(sql.Identifier, row)),
        sql.SQL(", ").join([sql.Placeholder()] * len(row)),
    )
    return statement, list(row.values())


def array_values(text: str) -> list[str | None]:
    """The elements of an array of one dimension as PostgreSQL writes it; none of what is no such array."""
    loader = Transformer().get_loader(_TEXT_ARRAY, Format.TEXT)
    with contextlib.suppress(psycopg.Error):
        found: list[Any] = list(loader.load(text.encode()))
        return [] if any(isinstance(element, list) for element in found) else found
    return []


_TEXT_ARRAY: Final = 1009
"""The OID of text[] (src/include/catalog/pg_type.dat)."""


def array_text(values: Sequence[str | None]) -> str:
    """The array as PostgreSQL reads it, each element in quotes."""
    escaped = ("NULL" if v is None else '"' + v.replace("\\", "\\\\").replace('"', '\\"') + '"' for v in values)
    return "{" + ",".join(escaped) + "}"


def new_oids(admin: Connection, facts: StandInFacts) -> dict[int, int]:
    """The stand-in's OIDs of relations, indexes and statistics objects by the source's, of those that are there."""
    relations = [(each.oid, each.schema_, each.name) for each in (*facts.relations, *facts.indexes)]
    objects = [(each.oid, each.schema_, each.name) for each in facts.extended]
    return _found(admin, _RELATIONS, relations) | _found(admin, _STATISTICS_OBJECTS, objects)


def _found(admin: Connection, query: str, names: list[tuple[int, str, str]]) -> dict[int, int]:
    parts = [list(part) for part in zip(*names, strict=True)] if names else [[], [], []]
    return {int(old): int(new) for old, new in admin.execute(query.encode(), parts).fetchall()}


_NAMES: Final = (
    "rows from (pg_catalog.unnest(%s::int8[]), pg_catalog.unnest(%s::text[]), pg_catalog.unnest(%s::text[]))"
    " w(oid, schema, name) join pg_catalog.pg_namespace n on n.nspname = w.schema"
)
_RELATIONS: Final = (
    f"select w.oid, c.oid::int8 from {_NAMES}"
    " join pg_catalog.pg_class c on c.relnamespace = n.oid and c.relname = w.name"
)
_STATISTICS_OBJECTS: Final = (
    f"select w.oid, e.oid::int8 from {_NAMES}"
    " join pg_catalog.pg_statistic_ext e on e.stxnamespace = n.oid and e.stxname = w.name"
)
