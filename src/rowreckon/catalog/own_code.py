"""What the server looks up before it plans anything for a file: whether that could run code of the users' own.

Planning is not harmless.  It folds immutable and stable functions, runs an operator's function over the common values,
simplifies index expressions, CHECK constraints and policies, and compares with the functions of operator families.
So for a request that came from a file, each text may name built-in objects only, and relations with code of their own
are not planned on.  Both queries only read catalogs; what they refuse goes unasked and is named as missing.
An OID below 16384 is one that initdb gave (src/include/access/transam.h: FirstNormalObjectId).

$1 is the request, $2 the resolved names and partitioned tables, both json.  Each gives one JSON value.
"""

from __future__ import annotations

from .reviewed import REFUSED, SHIPPED, STABLE, TEXT_SEARCH, VOLATILE

USERS = "'16384'::oid"
"""The first OID of objects that a user made."""

# Casts stand in most of our own statements; where one between PostgreSQL's types is a user's, none of them is run.
OWN_CASTS = f"""
select from pg_catalog.pg_cast where castfunc >= {USERS} and castsource < {USERS} and casttarget < {USERS}
"""


def _names(names: tuple[str, ...]) -> str:
    return "array[" + ", ".join(f"'{name}'" for name in names) + "]::name[]"


# A type that runs no code of a user's own when values of it are read, compared or written: built in, an enum, or an
# array of these; no domain, no composite, nothing with a user's default way of comparing. An enum whose casts call a
# user's function is none; casts of built-in types to users' types are never taken, since nothing here takes such types.
_PLAIN_TYPES = f"""
plain_types as (
  select t.oid from pg_type t join pg_type e on e.oid = case when t.typelem <> 0 and t.typlen = -1 then t.typelem
                                                             else t.oid end
  where ((e.oid < {USERS} and e.typtype in ('b', 'r', 'm') and e.typnamespace = 'pg_catalog'::regnamespace)
         or e.typtype = 'e')
    and (t.oid = e.oid or t.typtype = 'b')
    and not (e.typtype = 'e' and exists (
      select from pg_cast k where k.castfunc >= {USERS} and e.oid in (k.castsource, k.casttarget)))
    and not exists (select from pg_opclass o join pg_am m on m.oid = o.opcmethod and m.amname in ('btree', 'hash')
                    where o.oid >= {USERS} and o.opcdefault and o.opcintype in (t.oid, e.oid)))
"""

# Objects that planning a scan of a relation looks into, and what of a user's own they depend on.  Dependencies on
# built-in objects are not recorded at all.  Operator classes of GiST, SP-GiST and BRIN are passed over: the planner
# calls nothing of them, but GIN's to take a query apart (gincostestimate) and B-tree's and hash's to compare.


def _relations_with_code(but: str) -> str:
    return f"""
with recursive {_PLAIN_TYPES},
asked as (
  select distinct c.oid, c.relkind from json_array_elements($2) known(k)
    join pg_class c on c.oid = (k->>'oid')::int8::oid),
above(oid, up) as (
  select oid, oid from asked
  union select a.oid, i.inhparent from above a join pg_inherits i on i.inhrelid = a.up),
looked_into as (
  select oid, 'pg_class'::regclass::oid as class, up as object, 'a partition key, or the way it is stored' as what
    from above
  union all select a.oid, 'pg_class'::regclass, i.indexrelid, 'an index expression, predicate or operator class'
    from asked a join pg_index i on i.indrelid = a.oid
  union all select a.oid, 'pg_constraint'::regclass, c.oid, 'a CHECK constraint'
    from asked a join pg_constraint c on c.conrelid = a.oid and c.contype = 'c'
  union all select a.oid, 'pg_attrdef'::regclass, d.oid, 'a generated column'
    from asked a join pg_attrdef d on d.adrelid = a.oid
    join pg_attribute t on t.attrelid = a.oid and t.attnum = d.adnum and t.attgenerated <> ''
  union all select a.oid, 'pg_statistic_ext'::regclass, e.oid, 'a statistics expression'
    from asked a join pg_statistic_ext e on e.stxrelid = a.oid
  union all select a.oid, 'pg_policy'::regclass, p.oid, 'a row-security policy'
    from asked a join pg_policy p on p.polrelid = a.oid where row_security_active(a.oid)),
found as (
  select l.oid, min(l.what) as what from looked_into l
    join pg_depend d on d.classid = l.class and d.objid = l.object and d.refobjid >= {USERS}
  where (d.refclassid in ('pg_proc'::regclass, 'pg_operator'::regclass, 'pg_opfamily'::regclass, 'pg_am'::regclass,
                          'pg_ts_config'::regclass)
     or (d.refclassid = 'pg_opclass'::regclass and not exists (
           select from pg_class x join pg_am m on m.oid = x.relam
           where x.oid = l.object and x.relkind in ('i', 'I') and m.amname in ('gist', 'spgist', 'brin')))
     or (d.refclassid = 'pg_type'::regclass and l.class <> 'pg_class'::regclass
         and d.refobjid not in (select oid from plain_types))
     or (d.refclassid = 'pg_class'::regclass and l.class = 'pg_policy'::regclass and d.refobjid <> l.oid)){but}
  group by l.oid)
select coalesce(json_agg(json_build_object('relation', oid::int8, 'why',
  what || ' of it uses code or relations of this database''s own, which planning could run') order by oid), '[]')
from found
"""


RELATIONS_WITH_CODE = _relations_with_code("")
RELATIONS_WITH_CODE_BUT_SHIPPED = _relations_with_code(
    f" and not exists (select from ({SHIPPED}) s where s.class = d.refclassid and s.oid = d.refobjid)"
)
"""The same where what PostgreSQL's own extensions brought may run."""

_FUNCTION_IS_BAD = f"""(p.oid >= {USERS} or p.prokind <> 'f' or p.proretset
      or p.prolang not in (select oid from pg_language where lanname in ('internal', 'c', 'sql'))
      or (p.provolatile = 'v' and p.proname <> all({_names(VOLATILE)})) or p.proname = any({_names(REFUSED)})
      or (p.provolatile = 's' and p.proname <> all({_names((*STABLE, *TEXT_SEARCH))}))
      or (p.proname = any({_names(TEXT_SEARCH)}) and own_text_search))"""

# All that a text names has to be built in, and nothing of the same name may have been put beside it in pg_catalog.
# A function is looked up by its name and number of arguments, an operator by its name and sides, all overloads of it.
# An operator in one family with a user's is none: the planner may put one in place of the other to prove or estimate.
TEXTS_REFUSED = f"""
with {_PLAIN_TYPES},
texts as (
  select t.i, (t.x->>'plan')::int as plan, t.x from json_array_elements($1->'texts') with ordinality t(x, i)),
own as (
  select exists (select from pg_ts_template where oid >= {USERS})
      or exists (select from pg_ts_parser where oid >= {USERS}) as own_text_search),
functions as (
  select distinct f->>0 as name, (f->>1)::int as n from texts, json_array_elements(x->'functions') f),
bad_functions as (
  select f.name, f.n, bool_or(p.oid is not null) as there from functions f cross join own
    left join pg_proc p on p.proname = f.name and p.pronamespace = 'pg_catalog'::regnamespace
      and (p.provariadic <> 0 or f.n between p.pronargs - p.pronargdefaults and p.pronargs)
  group by f.name, f.n
  having bool_or(p.oid is null or {_FUNCTION_IS_BAD})),
operators as (
  select distinct o->>0 as name, (o->>1)::int as n from texts, json_array_elements(x->'operators') o),
bad_operators as (
  select o.name, o.n, bool_or(q.oid is not null) as there from operators o cross join own
    left join pg_operator q on q.oprname = o.name and q.oprnamespace = 'pg_catalog'::regnamespace
      and (q.oprleft <> 0) = (o.n = 2)
    left join pg_proc p on p.oid = q.oprcode
  group by o.name, o.n
  having bool_or(q.oid is null or q.oid >= {USERS} or q.oprrest::oid >= {USERS} or q.oprjoin::oid >= {USERS}
    or coalesce({_FUNCTION_IS_BAD}, true)
    or exists (select from pg_amop a join pg_am m on m.oid = a.amopmethod and m.amname in ('btree', 'hash')
                 join pg_amop b on b.amopfamily = a.amopfamily and b.amopopr >= {USERS}
               where a.amopopr = q.oid))),
columns as (
  select t.i, k->>1 as name, bool_or(a.atttypid is not null) as there,
    min(format_type(a.atttypid, null)) filter (where a.atttypid not in (select oid from plain_types)) as bad
  from texts t cross join json_array_elements(t.x->'columns') k
    left join json_array_elements($1->'relations') r on (r->>'plan')::int = t.plan and r->>'alias' = k->>0
    left join json_array_elements($2) known(m) on m->>'table' = t.plan || ' ' || (k->>0)
      or (m->>'name' = r->>'name' and (m->>'schema') is not distinct from (r->>'schema_name'))
    left join pg_attribute a on a.attrelid = (m->>'oid')::int8::oid and a.attname = k->>1 and not a.attisdropped
  group by t.i, k->>0, k->>1),
refused as (
  select t.i, case when b.there then 'it calls ' || b.name || '(), which may do more than compute from its arguments'
                   else 'it calls ' || b.name || '(), which is not PostgreSQL''s own' end as why
    from texts t cross join json_array_elements(t.x->'functions') f
    join bad_functions b on b.name = f->>0 and b.n = (f->>1)::int
  union all
  select t.i, case when b.there then 'it uses the operator ' || b.name || ', for which there is code besides'
                || ' PostgreSQL''s own here' else 'it uses the operator ' || b.name || ', not PostgreSQL''s own' end
    from texts t cross join json_array_elements(t.x->'operators') o
    join bad_operators b on b.name = o->>0 and b.n = (o->>1)::int
  union all
  select t.i, 'it names the type ' || n || ', which is not PostgreSQL''s own here'
    from texts t cross join json_array_elements_text(t.x->'types') n
  where not exists (select from pg_type y join plain_types using (oid)
                    where y.typname = n and y.typnamespace = 'pg_catalog'::regnamespace and y.oid < {USERS})
  union all
  select t.i, 'it names the type ' || (e->>1) || ', which is no enum'
    from texts t cross join json_array_elements(t.x->'enums') e
  where (select coalesce(bool_and(y.typtype = 'e' and y.oid in (select oid from plain_types)), false)
         from pg_type y join pg_namespace s on s.oid = y.typnamespace
         where y.typname = e->>1 and s.nspname = coalesce(e->>0, s.nspname)) is not true
  union all
  select t.i, 'it names the collation ' || n || ', which is not PostgreSQL''s own'
    from texts t cross join json_array_elements_text(t.x->'collations') n
  where (select coalesce(bool_and(c.oid < {USERS}), false) from pg_collation c
         where c.collname = n and c.collnamespace = 'pg_catalog'::regnamespace) is not true
  union all
  select c.i, 'it uses the column ' || c.name || coalesce(', of the type ' || c.bad
                || ', with which code of its own may come', ', which is not there')
    from columns c where c.bad is not null or not c.there)
select coalesce(json_agg(json_build_object('text', i, 'why', why) order by i), '[]')
from (select i, min(why) as why from refused group by i) r
"""
