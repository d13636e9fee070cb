"""Writing statistics into a stand-in's catalogs, as its superuser; the same way on every release.

Since 18 the server has functions for it; before, its own catalogs take the rows as ANALYZE writes them
(src/include/catalog/pg_statistic.h).  The values are read by their types' input functions: PostgreSQL's own, and those
of enums and of domains that have no checks here.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import psycopg

from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.stand_in.facts import StandInFacts, with_ranges
from rowreckon.stand_in.figures import Figures, SourceStatistics

from .at_once import all_at_once, in_batches
from .filling import array_text, array_values

_MCV, _HISTOGRAM, _CORRELATION, _MCELEM, _DECHIST, _LENGTHS, _BOUNDS = range(1, 8)
"""STATISTIC_KIND_…"""
_SLOTS: Final = 5
_FLOAT8: Final = 701
_FLOAT8_LESS: Final = 672
_TEXT: Final = 25
_TEXT_EQUAL: Final = 98
_DEFAULT_COLLATION: Final = 100
_TSVECTOR: Final = 3614

# For each column its type, and the default B-tree order's = and < for it: those of its base, or of the pseudotype that
# stands for its kind, or of a type that it is the same as in bytes (varchar as text).
_COLUMNS: Final = """
with recursive wanted as (
  select a.attrelid, a.attnum, a.atttypid, a.attcollation from pg_catalog.pg_attribute a
  where a.attrelid = any(%s::oid[]) and a.attnum > 0 and not a.attisdropped),
base(typid, oid) as (
  select w.t, w.t from (select atttypid as t from wanted union select e.typelem from wanted w
    join pg_catalog.pg_type e on e.oid = w.atttypid and e.typelem <> 0) w
  union select b.typid, t.typbasetype from base b join pg_catalog.pg_type t on t.oid = b.oid and t.typtype = 'd'),
plain as (
  select b.typid, t.* from base b join pg_catalog.pg_type t on t.oid = b.oid and t.typtype <> 'd'),
ops as (
  select p.typid, p.oid as base,
    case when p.typcategory = 'A' and p.typlen = -1 and p.typelem <> 0 then p.typelem end as element,
    (select array[eq.amopopr::int8, lt.amopopr::int8]
     from pg_catalog.pg_opclass o join pg_catalog.pg_am m on m.oid = o.opcmethod and m.amname = 'btree'
       join pg_catalog.pg_amop eq on eq.amopfamily = o.opcfamily and eq.amoplefttype = o.opcintype
         and eq.amoprighttype = o.opcintype and eq.amopstrategy = 3
       join pg_catalog.pg_amop lt on lt.amopfamily = o.opcfamily and lt.amoplefttype = o.opcintype
         and lt.amoprighttype = o.opcintype and lt.amopstrategy = 1
     where o.opcdefault and (o.opcintype = p.oid
       or (o.opcintype = 'pg_catalog.anyarray'::pg_catalog.regtype and p.typcategory = 'A' and p.typelem <> 0)
       or (o.opcintype = 'pg_catalog.anyenum'::pg_catalog.regtype and p.typtype = 'e')
       or (o.opcintype = 'pg_catalog.anyrange'::pg_catalog.regtype and p.typtype = 'r')
       or (o.opcintype = 'pg_catalog.record'::pg_catalog.regtype and p.typtype = 'c')
       or (o.opcintype::pg_catalog.regtype::text = 'anymultirange' and p.typtype = 'm')
       or exists (select from pg_catalog.pg_cast k where k.castsource = p.oid and k.casttarget = o.opcintype
                  and k.castmethod = 'b' and k.castcontext = 'i'))
     order by (o.opcintype = p.oid) desc, o.opcintype limit 1) as found
  from plain p)
select w.attrelid::int8, w.attnum, w.atttypid::int8, w.attcollation::int8, o.found[1], o.found[2], o.base::int8,
  o.element::int8, e.found[1],
  coalesce((select r.rngtypid from pg_catalog.pg_range r
    where (pg_catalog.to_jsonb(r)->>'rngmultitypid')::oid = o.base), o.base)::int8
from wanted w join ops o on o.typid = w.atttypid left join ops e on e.typid = o.element
"""


@dataclass(frozen=True, slots=True)
class _Column:
    """A column's type, its collation and operators (OIDs), as ANALYZE finds them; None where the type has no order."""

    type: int
    collation: int
    equal: int | None
    less: int | None
    base: int
    element: int | None
    element_equal: int | None
    range: int


@dataclass(frozen=True, slots=True)
class _Slot:
    kind: int
    operator: int
    collation: int
    numbers: list[float] | None
    values: str | None
    values_type: int


def write_sizes(admin: Connection, facts: StandInFacts, oids: Mapping[int, int]) -> None:
    """Rows and pages as the source's catalog has them. Raises psycopg.Error."""
    tables = [(oids[r.oid], r.relpages, r.reltuples, r.relallvisible) for r in facts.relations if r.oid in oids]
    indexes = [(oids[i.oid], i.relpages, i.reltuples, 0) for i in facts.indexes if i.oid in oids]
    rows = [*tables, *indexes]
    if rows:
        admin.execute(
            "update pg_catalog.pg_class c set relpages = w.pages, reltuples = w.tuples, relallvisible = w.visible"
            " from rows from (pg_catalog.unnest(%s::oid[]), pg_catalog.unnest(%s::int4[]),"
            " pg_catalog.unnest(%s::float4[]), pg_catalog.unnest(%s::int4[])) w(oid, pages, tuples, visible)"
            " where c.oid = w.oid",
            [list(part) for part in zip(*rows, strict=True)],
        )


def write_statistics(admin: Connection, facts: StandInFacts, oids: Mapping[int, int], held: set[int]) -> Iterator[str]:
    """Statistics of columns and of indexes' expressions; gives what could not be written, in parts of sentences.

    `held` are the relations whose ends stand in rows; for others the ends become their histograms' first and last
    bound, where the planner would look them up.
    """
    columns = _columns(admin, [oids[r] for r in {s.relation for s in facts.statistics} if r in oids])
    ends = {(e.relation, e.number): (e.low, e.high) for e in facts.ends if e.relation not in held}
    names = {r.oid: r.name for r in (*facts.relations, *facts.indexes)}
    rows: list[tuple[SourceStatistics, dict[str, Any]]] = []
    for each in with_ranges(facts):
        relation = oids.get(each.relation)
        column = columns.get((relation, each.number)) if relation is not None else None
        if relation is not None and column is not None:
            slots = _slots(each, column, ends.get((each.relation, each.number)))
            rows.append((each, _row(relation, each, slots)))
    for batch in in_batches(rows):
        if all_at_once(admin, [(_INSERT, (json.dumps([row for _, row in batch]),))]):
            continue
        for each, row in batch:
            try:
                admin.execute(_INSERT, (json.dumps([row]),))
            except psycopg.Error as error:
                what = f"column {each.number} of {names.get(each.relation)}"
                yield f"the statistics of {what} do not fit: {first_line(error)}"


def write_figures(admin: Connection, relation: int, number: int, figures: Figures) -> None:
    """One row of statistics for a column of the stand-in. Raises psycopg.Error."""
    column = _columns(admin, [relation]).get((relation, number))
    if column is not None:
        slots = _slots(figures, column, None)
        admin.execute(_INSERT, (json.dumps([_row(relation, figures.model_copy(update={"number": number}), slots)]),))


def _columns(admin: Connection, relations: list[int]) -> dict[tuple[int, int], _Column]:
    rows = admin.execute(_COLUMNS, (relations,)).fetchall()
    return {(int(row[0]), int(row[1])): _Column(*row[2:]) for row in rows}


def _slots(source: Figures, column: _Column, ends: tuple[str, str] | None) -> list[_Slot]:
    found: list[_Slot] = []
    equal, less = column.equal or 0, column.less or 0
    if source.common is not None and source.common_freqs:
        found.append(_Slot(_MCV, equal, column.collation, list(source.common_freqs), source.common, column.type))
    if source.bounds is not None and less:
        bounds = source.bounds if ends is None else _with_ends(source.bounds, ends)
        found.append(_Slot(_HISTOGRAM, less, column.collation, None, bounds, column.type))
    if source.correlation is not None and less:
        found.append(_Slot(_CORRELATION, less, column.collation, [source.correlation], None, 0))
    if source.elements is not None and source.element_freqs:
        words = column.base == _TSVECTOR
        element = _TEXT if words else column.element
        if element is not None:
            operator, collation = (
                (_TEXT_EQUAL, _DEFAULT_COLLATION) if words else (column.element_equal or 0, column.collation)
            )
            found.append(_Slot(_MCELEM, operator, collation, list(source.element_freqs), source.elements, element))
            if source.element_counts:
                found.append(_Slot(_DECHIST, operator, collation, list(source.element_counts), None, 0))
    if source.range_lengths is not None or source.empty_ranges is not None:
        lengths = _from_json(source.range_lengths)
        found.append(_Slot(_LENGTHS, _FLOAT8_LESS, 0, [source.empty_ranges or 0.0], lengths, _FLOAT8))
    if source.ranges is not None:
        found.append(_Slot(_BOUNDS, 0, 0, None, _from_json(source.ranges), column.range))
    return found[:_SLOTS]


def _from_json(values: str | None) -> str:
    """An array of an array in JSON, as pg_stats gives it through to_jsonb; an empty one where it is none.

    What a dump has is an array already.
    """
    if values is not None and values.startswith("{"):
        return values
    try:
        found = json.loads(values) if values is not None else []
    except (ValueError, RecursionError):
        found = []
    return array_text([v if v is None else str(v) for v in found]) if isinstance(found, list) else "{}"


def _with_ends(bounds: str, ends: tuple[str, str]) -> str:
    values = array_values(bounds)
    return array_text([ends[0], *values[1:-1], ends[1]]) if len(values) > 1 else bounds


_OWN: Final = ("starelid", "staattnum", "stainherit", "stanullfrac", "stawidth", "stadistinct")
_NUMBERS: Final = range(1, _SLOTS + 1)
_PLAIN: Final = {"kind": "int2", "op": "oid", "coll": "oid", "numbers": "float4[]"}


def _insert_statement() -> str:
    """Rows of pg_statistic from json; array_in takes the type of their values by its OID."""
    plain = [f"sta{part}{n}" for part in _PLAIN for n in _NUMBERS]
    made = [f"pg_catalog.array_in(pg_catalog.textout(w.values{n}), w.type{n}::oid, -1)" for n in _NUMBERS]
    given = [f"sta{part}{n} {kind}" for part, kind in _PLAIN.items() for n in _NUMBERS]
    given += [f"values{n} text, type{n} int8" for n in _NUMBERS]
    return (
        f"insert into pg_catalog.pg_statistic ({', '.join((*_OWN, *plain, *(f'stavalues{n}' for n in _NUMBERS)))})"
        f" select {', '.join(f'w.{name}' for name in (*_OWN, *plain))}, {', '.join(made)}"
        " from pg_catalog.json_to_recordset(%s::json) w(starelid oid, staattnum int2, stainherit bool,"
        f" stanullfrac float4, stawidth int4, stadistinct float4, {', '.join(given)})"
    )


_INSERT: Final = _insert_statement().encode()


def _row(relation: int, source: Figures, slots: list[_Slot]) -> dict[str, Any]:
    """A row of pg_statistic for the statement above; a slot without values has none to be read."""
    own = (relation, source.number, source.inherited, source.null_frac, int(source.width), source.distinct)
    row: dict[str, Any] = dict(zip(_OWN, own, strict=True))
    for n in _NUMBERS:
        slot = slots[n - 1] if n <= len(slots) else _Slot(0, 0, 0, None, None, 0)
        row |= {f"stakind{n}": slot.kind, f"staop{n}": slot.operator, f"stacoll{n}": slot.collation}
        row |= {f"stanumbers{n}": slot.numbers, f"values{n}": slot.values, f"type{n}": slot.values_type}
    return row
