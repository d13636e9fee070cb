"""The questions that judging puts to the catalogs, each for all that is to be known at once.

They run under `search_path = pg_catalog, pg_temp`, whatever the statement's own is.  Sources: the manual's chapter
'System Catalogs' of 13 to 18.
"""

from __future__ import annotations

from typing import Any, Final

from rowreckon.server.connecting.connection import Connection
from rowreckon.server.judging.names import Name, Names

Rows = list[tuple[Any, ...]]

_NAMES: Final = """
with asked as (
  select w.kind, w.schema, w.name::name as name
  from unnest(%(kinds)s::text[], %(schemas)s::text[], %(names)s::text[]) w(kind, schema, name)
), there as (
  select n.oid, n.nspname, n.oid = pg_my_temp_schema() as temporary, array_position(%(path)s::text[], n.nspname::text)
    as place
  from pg_namespace n
), found as (
  select a.kind, a.schema, a.name, p.oid::int8, p.pronamespace as namespace
  from asked a join pg_proc p on p.proname = a.name where a.kind in ('function', 'attribute')
  union all
  select a.kind, a.schema, a.name, o.oid::int8, o.oprnamespace
  from asked a join pg_operator o on o.oprname = a.name where a.kind = 'operator'
  union all
  select a.kind, a.schema, a.name, y.oid::int8, y.typnamespace
  from asked a join pg_type y on y.typname = a.name where a.kind = 'type'
  union all
  select a.kind, a.schema, a.name, c.oid::int8, c.relnamespace
  from asked a join pg_class c on c.relname = a.name where a.kind in ('relation', 'written')
)
select f.kind, f.oid, f.schema is null, f.name::text, case when t.temporary then 0 else t.place end
from found f join there t on t.oid = f.namespace
where case when f.schema is not null then t.nspname = f.schema or (f.schema = 'pg_temp' and t.temporary)
  else t.place is not null or (t.temporary and f.kind in ('type', 'relation', 'written')) end
"""

_FUNCTIONS: Final = """
select 'function', p.oid::int8, jsonb_build_object('name', p.proname, 'schema', n.nspname, 'language', l.lanname,
  'volatility', p.provolatile, 'kind', p.prokind, 'strict', p.proisstrict,
  'source', case when l.lanname in ('sql', 'internal', 'c') and p.oid >= 16384 then p.prosrc end,
  'settings', to_jsonb(p.proconfig), 'defaults', p.proargdefaults::text, 'body', {body},
  'arguments', to_jsonb(p.proargtypes::oid[]::int8[] || coalesce(p.proallargtypes::int8[], '{{}}')),
  'result', p.prorettype::int8, 'support', p.prosupport::oid::int8,
  'parts', (select to_jsonb(array[a.aggtransfn, a.aggfinalfn, a.aggcombinefn, a.aggserialfn, a.aggdeserialfn,
    a.aggmtransfn, a.aggminvtransfn, a.aggmfinalfn]::oid[]::int8[]) from pg_aggregate a where a.aggfnoid = p.oid),
  'state', (select to_jsonb(array[a.aggtranstype, a.aggmtranstype]::int8[]) from pg_aggregate a
    where a.aggfnoid = p.oid),
  'aliases', case when l.lanname = 'internal' and p.oid >= 16384 then (select jsonb_agg(jsonb_build_array(b.proname,
    b.provolatile)) from pg_proc b where b.prosrc = p.prosrc and b.oid < 16384) end)
from pg_proc p join pg_namespace n on n.oid = p.pronamespace join pg_language l on l.oid = p.prolang
where p.oid = any(%(functions)s::oid[])
"""
_OPERATORS: Final = """
select 'operator', o.oid::int8, jsonb_build_object('name', o.oprname, 'schema', n.nspname,
  'functions', to_jsonb(array[o.oprcode, o.oprrest, o.oprjoin]::oid[]::int8[]),
  'operands', to_jsonb(array[o.oprleft, o.oprright]::int8[]), 'result', o.oprresult::int8)
from pg_operator o join pg_namespace n on n.oid = o.oprnamespace where o.oid = any(%(operators)s::oid[])
"""
_TYPES: Final = """
select 'type', t.oid::int8, jsonb_build_object('name', t.typname, 'schema', n.nspname, 'kind', t.typtype,
  'base', t.typbasetype::int8, 'element', t.typelem::int8, 'relation', t.typrelid::int8,
  'functions', to_jsonb(array[t.typinput, t.typoutput, t.typreceive, t.typsend, t.typmodin,
    t.typmodout]::oid[]::int8[]),
  'checks', (select jsonb_agg(c.conbin::text) from pg_constraint c where c.contypid = t.oid),
  'default', t.typdefaultbin::text,
  'range', (select to_jsonb(array[r.rngcanonical, r.rngsubdiff]::oid[]::int8[]) from pg_range r
    where t.oid in (r.rngtypid{multirange})),
  'within', (select to_jsonb(array[r.rngsubtype, r.rngtypid]::int8[]) from pg_range r
    where t.oid in (r.rngtypid{multirange})))
from pg_type t join pg_namespace n on n.oid = t.typnamespace where t.oid = any(%(types)s::oid[])
"""
_RELATIONS: Final = """
select 'relation', c.oid::int8, jsonb_build_object('name', c.relname, 'schema', n.nspname, 'kind', c.relkind,
  'columns', (select jsonb_agg(jsonb_build_array(a.attname, a.atttypid::int8)) from pg_attribute a
    where a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped),
  'policies', case when c.relrowsecurity then (select jsonb_agg(concat_ws(' ', p.polqual::text, p.polwithcheck::text))
    from pg_policy p where p.polrelid = c.oid) end,
  'view', case when c.relkind = 'v' then (select jsonb_agg(concat_ws(' ', r.ev_qual::text, r.ev_action::text))
    from pg_rewrite r where r.ev_class = c.oid and r.ev_type = '1') end,
  'rules', (select jsonb_agg(concat_ws(' ', r.ev_qual::text, r.ev_action::text)) from pg_rewrite r
    where r.ev_class = c.oid and r.ev_type <> '1'),
  'indexes', (select jsonb_agg(concat_ws(' ', i.indexprs::text, i.indpred::text)) from pg_index i
    where i.indrelid = c.oid and (i.indexprs is not null or i.indpred is not null)),
  'classes', (select jsonb_agg(distinct u.oid::int8) from pg_index i, unnest(i.indclass::oid[]) u(oid)
    where i.indrelid = c.oid),
  'checks', (select jsonb_agg(k.conbin::text) from pg_constraint k where k.conrelid = c.oid and k.contype = 'c'),
  'generated', (select jsonb_agg(d.adbin::text) from pg_attrdef d join pg_attribute a on a.attrelid = d.adrelid
    and a.attnum = d.adnum where d.adrelid = c.oid and a.attgenerated <> ''),
  'defaults', (select jsonb_agg(d.adbin::text) from pg_attrdef d where d.adrelid = c.oid),
  'statistics', {statistics},
  'partitioning', (select jsonb_agg(q.partexprs::text) from pg_partitioned_table q where q.partrelid = c.oid),
  'partition_classes', (select to_jsonb(q.partclass::oid[]::int8[]) from pg_partitioned_table q
    where q.partrelid = c.oid),
  'children', (select jsonb_agg(h.inhrelid::int8) from pg_inherits h where h.inhparent = c.oid),
  'parents', (select jsonb_agg(h.inhparent::int8) from pg_inherits h where h.inhrelid = c.oid),
  'triggers', (select jsonb_agg(g.tgfoid::int8) from pg_trigger g where g.tgrelid = c.oid and not g.tgisinternal),
  'when', (select jsonb_agg(g.tgqual::text) from pg_trigger g where g.tgrelid = c.oid and g.tgqual is not null),
  'referrers', (select jsonb_agg(k.conrelid::int8) from pg_constraint k where k.confrelid = c.oid and k.contype = 'f'
    and (k.confdeltype in ('c', 'n', 'd') or k.confupdtype in ('c', 'n', 'd'))),
  'operators', (select jsonb_agg(distinct u.oid::int8) from pg_constraint k, unnest(coalesce(k.conexclop, '{{}}')
    || coalesce(k.conpfeqop, '{{}}') || coalesce(k.conppeqop, '{{}}') || coalesce(k.conffeqop, '{{}}')) u(oid)
    where c.oid in (k.conrelid, k.confrelid)))
from pg_class c join pg_namespace n on n.oid = c.relnamespace where c.oid = any(%(relations)s::oid[])
"""
_STATISTICS: Final = (
    "(select jsonb_agg(s.stxexprs::text) from pg_statistic_ext s where s.stxrelid = c.oid and s.stxexprs is not null)"
)
_CASTS: Final = """
select c.castsource::int8, c.casttarget::int8, c.castfunc::int8, c.castcontext from pg_cast c where c.oid >= 16384
"""
_CLASSES: Final = """
with classes as (
  select 'of a type' as by, opcintype::int8 as asked, opcfamily, opcintype from pg_opclass
  where opcdefault and opcintype = any(%(types)s::oid[])
  union all
  select 'class', oid::int8, opcfamily, opcintype from pg_opclass where oid = any(%(classes)s::oid[])
)
select by, asked, 'function', p.amproc::oid::int8 from pg_amproc p join classes c on c.opcfamily = p.amprocfamily
where p.amproc::oid >= 16384
union
select by, asked, 'operator', o.amopopr::int8 from pg_amop o join classes c on c.opcfamily = o.amopfamily
where o.amopopr >= 16384
union
select by, asked, 'type', opcintype::int8 from classes where opcintype >= 16384
"""


def look_up(connection: Connection, names: Names, path: list[str], *, first: bool) -> list[tuple[str, int]]:
    """(kind, OID) of every object that one of the names may mean.

    Functions and operators of one name are chosen by what they are given, so all on the path count. Of relations and
    types the first on the path is meant, if `first`: the path is then the very one under which the names are resolved.
    """
    asked: list[tuple[str, Name]] = [
        *(("function", name) for name in names.functions),
        *(("attribute", name) for name in names.attributes),
        *(("operator", name) for name in names.operators),
        *(("type", name) for name in names.types),
        *(("relation", name) for name in names.relations),
        *(("written", name) for name in names.written),
    ]
    if not asked:
        return []
    given = {
        "kinds": [kind for kind, _ in asked],
        "schemas": [schema for _, (schema, _) in asked],
        "names": [name for _, (_, name) in asked],
        "path": path,
    }
    rows = connection.execute(_NAMES.encode(), given).fetchall()
    nearest: dict[tuple[str, str], int] = {}
    for kind, _, by_path, name, place in rows:
        if by_path and kind in _ONE:
            nearest[kind, name] = min(place, nearest.get((kind, name), place))
    return [
        (kind, oid)
        for kind, oid, by_path, name, place in rows
        if not (first and by_path and kind in _ONE) or nearest[kind, name] == place
    ]


_ONE: Final = ("type", "relation", "written")


def objects(connection: Connection, wanted: dict[str, set[int]]) -> Rows:
    """(kind, OID, what is known of it) for these objects; an OID may name none of its kind, or one of several kinds."""
    newer = connection.info.server_version >= 140000
    parts = {
        "function": _FUNCTIONS.format(body="p.prosqlbody::text" if newer else "null"),
        "operator": _OPERATORS,
        "type": _TYPES.format(multirange=", r.rngmultitypid" if newer else ""),
        "relation": _RELATIONS.format(statistics=_STATISTICS if newer else "null"),
    }
    asked = [kind for kind in parts if wanted.get(kind)]
    if not asked:
        return []
    query = " union all ".join(parts[kind] for kind in asked)
    given = {f"{kind}s": sorted(wanted[kind]) for kind in asked}
    return connection.execute(query.encode(), given).fetchall()


def own_casts(connection: Connection) -> Rows:
    """(source, target, function, context) of every cast that is none of PostgreSQL's own."""
    return connection.execute(_CASTS.encode()).fetchall()


def class_members(connection: Connection, types: set[int], classes: set[int]) -> Rows:
    """What users added to the default operator classes of these types, or to these classes: (`of a type` or `class`,
    OID of that one, kind, OID) of each."""
    return connection.execute(_CLASSES.encode(), {"types": sorted(types), "classes": sorted(classes)}).fetchall()
