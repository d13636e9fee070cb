"""Writing extended statistics into a stand-in's catalogs.

Their types read no text, but take bytes through casts that a superuser of one's own server may make.  A list of common
values holds values of any type: a scratch table with just these rows is analyzed, and gives the list its form.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import psycopg
from psycopg import sql

from rowreckon.catalog.request import quoted
from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.figures import ExpressionFigures, SourceExtended, SourceExtendedData
from rowreckon.stand_in.permitted import EXPRESSION, NotPermitted, as_text, one_statement
from rowreckon.stand_in.together import Values, dependencies_bytes, ndistinct_bytes, with_frequencies

from .statistics import write_figures

_CASTS: Final = ("pg_ndistinct", "pg_dependencies", "pg_mcv_list")
_SCRATCH: Final = "rowreckon_scratch"
_OF_TREES_FROM: Final = 15
"""From 15 on a statistics object has its data once for the table alone and once for its tree."""
_EXPRESSIONS_FROM: Final = 14


def write_extended(admin: Connection, maker: Connection, facts: StandInFacts, oids: Mapping[int, int]) -> Iterator[str]:
    """The data of statistics objects; gives what could not be written, in parts of sentences."""
    if not facts.extended:
        return
    for name in _CASTS:
        kind = sql.Identifier("pg_catalog", name)
        admin.execute(sql.SQL("create cast (bytea as {}) without function").format(kind))
    # as the source printed its values
    for setting, value in (("TimeZone", "UTC"), ("DateStyle", "ISO, YMD"), ("IntervalStyle", "postgres")):
        admin.execute("select pg_catalog.set_config(%s, %s, false)", (setting, value))
    relations = {relation.oid: relation for relation in facts.relations}
    for each in facts.extended:
        own = [data for data in facts.extended_data if data.object == each.oid]
        new, table = oids.get(each.oid), oids.get(each.relation)
        if new is None or table is None or not own:
            continue
        admin.execute("delete from pg_catalog.pg_statistic_ext_data where stxoid = %s::oid", (new,))
        for data in own:
            expressions = [
                e for e in facts.extended_expressions if (e.object, e.inherited) == (each.oid, data.inherited)
            ]
            relation = relations[each.relation]
            source = _Source(each, data, sorted(expressions, key=lambda e: e.number), (relation.schema_, relation.name))
            try:
                _write(admin, maker, facts.server.major, new, source)
            except (psycopg.Error, ValueError) as error:
                reason = first_line(error) if isinstance(error, psycopg.Error) else str(error)
                yield f"the data of the statistics object {each.name} do not fit: {reason}"


@dataclass(frozen=True, slots=True)
class _Source:
    object: SourceExtended
    data: SourceExtendedData
    expressions: Sequence[ExpressionFigures]
    table: tuple[str, str]


def _write(admin: Connection, maker: Connection, major: int, new: int, source: _Source) -> None:
    data = source.data
    distinct = ndistinct_bytes(data.distinct) if data.distinct else None
    dependencies = dependencies_bytes(data.dependencies) if data.dependencies else None
    common: bytes | None = None
    scratch: int | None = None
    if data.common or source.expressions:
        scratch = _make_scratch(admin, maker, new, source)
    try:
        if data.common and scratch is not None:
            common = _common(admin, maker, source)
        columns = ["stxoid", "stxdndistinct", "stxddependencies", "stxdmcv"]
        values = ["%s::oid", "%s::bytea::pg_ndistinct", "%s::bytea::pg_dependencies", "%s::bytea::pg_mcv_list"]
        parameters: list[Any] = [new, distinct, dependencies, common]
        if major >= _OF_TREES_FROM:
            columns.append("stxdinherit")
            values.append("%s")
            parameters.append(data.inherited)
        if source.expressions and scratch is not None and major >= _EXPRESSIONS_FROM:
            columns.append("stxdexpr")
            values.append("(" + _ROWS + ")")
            parameters.append(scratch)
        admin.execute(
            sql.SQL("insert into pg_catalog.pg_statistic_ext_data ({}) values ({})").format(
                sql.SQL(", ").join(map(sql.Identifier, columns)), sql.SQL(", ").join(map(sql.SQL, values))
            ),
            parameters,
        )
    finally:
        if scratch is not None:
            maker.execute(sql.SQL("drop table if exists {}").format(sql.Identifier("public", _SCRATCH)))


_ROWS: Final = "select array_agg(s order by s.staattnum) from pg_catalog.pg_statistic s where s.starelid = %s::oid"


def _make_scratch(admin: Connection, maker: Connection, new: int, source: _Source) -> int:
    """A table with a column for each part of the statistics object, in its order; the statistics of expressions on it.

    Its OID. Raises psycopg.Error, and ValueError where the definition is another than it should be.
    """
    names = admin.execute(
        "select a.attname from pg_catalog.pg_statistic_ext e join pg_catalog.pg_attribute a on a.attrelid = e.stxrelid"
        " and a.attnum = any(e.stxkeys::int2[]) where e.oid = %s::oid order by a.attnum",
        (new,),
    ).fetchall()
    columns = [str(row[0]) for row in names]
    text = _select(columns, source)
    maker.execute(
        sql.SQL("create table {} as {} with no data").format(sql.Identifier("public", _SCRATCH), sql.SQL(text)),
        binary=True,
    )
    row = admin.execute("select 'public.rowreckon_scratch'::regclass::oid::int8").fetchone()
    assert row is not None
    for figures in source.expressions:
        write_figures(admin, int(row[0]), len(columns) + figures.number, figures)
    return int(row[0])


def _select(columns: Sequence[str], source: _Source) -> str:
    """A query over the table that gives the parts in the statistics object's order. Raises ValueError."""
    try:
        _, made = one_statement(
            source.object.definition, "create_stats_stmt", EXPRESSION | {"CreateStatsStmt", "StatsElem", "RangeVar"}
        )
        parts = [*map(quoted, columns), *["null"] * sum(e.stats_elem.HasField("expr") for e in made.exprs)]
        listed = ", ".join(f"{part} as c{n}" for n, part in enumerate(parts, 1))
        tree, select = one_statement(
            f"select {listed} from only {quoted(*source.table)}",
            "select_stmt",
            EXPRESSION | {"SelectStmt", "ResTarget", "RangeVar"},
        )
        expressions = [e.stats_elem.expr for e in made.exprs if e.stats_elem.HasField("expr")]
        for target, expression in zip(select.target_list[len(columns) :], expressions, strict=True):
            target.res_target.val.CopyFrom(expression)
        return as_text(tree)
    except NotPermitted as error:
        raise ValueError(f"its definition {error.reason}") from None


def _common(admin: Connection, maker: Connection, source: _Source) -> bytes:
    """The list of common values with the source's frequencies. Raises psycopg.Error and ValueError."""
    data = source.data
    assert data.common is not None
    dimensions = len(data.common[0])
    scratch = sql.Identifier("public", _SCRATCH)
    columns = [f"c{n}" for n in range(1, dimensions + 1)]
    for values in data.common:
        maker.execute(
            sql.SQL("insert into {} values ({})").format(scratch, sql.SQL(", ").join([sql.Placeholder()] * dimensions)),
            values,
        )
    listed = sql.SQL(", ").join(map(sql.Identifier, columns))
    statistics = sql.Identifier("public", f"{_SCRATCH}_common")
    maker.execute(sql.SQL("create statistics {} (mcv) on {} from {}").format(statistics, listed, scratch))
    target = sql.Literal(min(max(len(data.common), 100), 10_000))
    maker.execute(sql.SQL("alter statistics {} set statistics {}").format(statistics, target))
    maker.execute(sql.SQL("analyze {}").format(scratch))
    row = admin.execute(_SERIALIZED, (f"{_SCRATCH}_common",)).fetchone()
    if row is None:
        raise ValueError("the server made no list of its values")
    items = [tuple(values) for values in row[1]]
    if not len(data.common) == len(data.freqs or ()) == len(data.base_freqs or ()):
        raise ValueError("its values and their frequencies are not as many")
    pairs = zip(data.freqs or (), data.base_freqs or (), strict=True)
    wanted: dict[Values, tuple[float, float]] = dict(zip(data.common, pairs, strict=True))
    return with_frequencies(bytes(row[0]), items, wanted, dimensions)


_SERIALIZED: Final = """
select d.stxdmcv::bytea, (select array_agg(array(
    select case when n then null else v end from rows from (unnest(m.values), unnest(m.nulls)) u(v, n))
  order by m.index) from pg_catalog.pg_mcv_list_items(d.stxdmcv) m)
from pg_catalog.pg_statistic_ext e join pg_catalog.pg_statistic_ext_data d on d.stxoid = e.oid
where e.stxname = %s and d.stxdmcv is not null
"""
