"""What of the catalogs the server would print by code of the users' own: for a file, these are left unread.

Reading is not harmless either.  A value in a definition, a partition's bound or in statistics is printed by its type's
output function, a type's modifier by the type's own function, and whoever opens an index or a table calls the handler
of its access method.  All of these may be a user's (or an extension's).  So for a request that came from a file, what
would call them is left out and named.

An OID below 16384 is one that initdb gave (src/include/access/transam.h: FirstNormalObjectId).  $1 is the relations'
OIDs.
"""

from __future__ import annotations

from .own_code import USERS
from .reviewed import SHIPPED

NOT_PRINTED = "..."
"""What stands in an answer in place of a definition that was left out: no SQL, so that nothing takes it for one; ASCII,
as all of the program, which is sent to databases of any encoding."""


def _own_types(but: str) -> str:
    return f"""
with recursive own(oid) as (
  select oid from pg_type p where (typoutput >= {USERS} or typmodout >= {USERS}){but}
  union select x.oid from own o cross join lateral (
    select t.oid from pg_type t where t.typelem = o.oid and t.typlen = -1
    union all select t.oid from pg_type t where t.typbasetype = o.oid
    union all select c.reltype from pg_attribute a join pg_class c on c.oid = a.attrelid
      where a.atttypid = o.oid and a.attnum > 0 and c.reltype <> 0
    union all select v.made from pg_range r
      cross join lateral (values (r.rngtypid), ((to_jsonb(r)->>'rngmultitypid')::oid)) v(made)
      where r.rngsubtype = o.oid and v.made is not null) x)
select coalesce(array_agg(oid), '{{}}') from own
"""


OWN_TYPES = _own_types("")
"""Types whose values or modifiers are printed by a user's function, by themselves or through what they are made of."""
OWN_TYPES_BUT_SHIPPED = _own_types(
    f" and not exists (select from ({SHIPPED}) s where s.class = 'pg_type'::regclass and s.oid = p.oid)"
)
"""The same without those that PostgreSQL's own extensions print."""

# $2: the types above. A definition depends on the types of its constants and on the functions of its casts; a
# partition's bound has the type of the key's column, or of the function in the key's expression.
OWN_OBJECTS = f"""
with recursive above(oid, up) as (
  select oid, oid from unnest($1) oid
  union select a.oid, i.inhparent from above a join pg_inherits i on i.inhrelid = a.up),
objects as (
  select a.oid as relation, 'pg_class'::regclass::oid as class, a.up as depends, a.oid as object,
    'its partition key or bound' as what
    from above a join pg_class c on c.oid = a.oid and (c.relkind = 'p' or c.relispartition)
  union all select i.indrelid, 'pg_class'::regclass, i.indexrelid, i.indexrelid, 'an index'
    from pg_index i where i.indrelid = any($1)
  union all select e.stxrelid, 'pg_statistic_ext'::regclass, e.oid, e.oid, 'a statistics object'
    from pg_statistic_ext e where e.stxrelid = any($1)),
found as (
  select o.relation, o.object, o.what from objects o
    join pg_depend d on d.classid = o.class and d.objid = o.depends and d.refobjid >= {USERS}
    left join pg_proc p on d.refclassid = 'pg_proc'::regclass and p.oid = d.refobjid
    left join pg_attribute a on d.refclassid = 'pg_class'::regclass and a.attrelid = d.refobjid
      and a.attnum = d.refobjsubid
  where (d.refclassid = 'pg_type'::regclass and d.refobjid = any($2)) or p.prorettype = any($2)
     or a.atttypid = any($2)
  union
  select o.relation, o.object, o.what from objects o join pg_attribute a on a.attrelid = o.depends
    and a.attnum > 0 and a.atttypid = any($2) where o.what = 'its partition key or bound'
  union
  select o.relation, o.object, o.what from objects o join pg_class c on c.oid = o.object and c.relam >= {USERS}
  union
  select c.oid, c.oid, 'the way it is stored' from pg_class c where c.oid = any($1) and c.relam >= {USERS})
select coalesce(json_agg(json_build_object('object', f.object::int8, 'why', format('%s of %s: only code of this '
  'database''s own could print or open it, and no file makes the server run that', f.what, c.relname))), '[]')
from found f join pg_class c on c.oid = f.relation
"""
"""Relations, indexes and statistics objects with something in them that only a user's code can print or open."""

OWN_EXTENDED = """
select exists (select from pg_statistic_ext e join pg_attribute a on a.attrelid = e.stxrelid
               where a.attnum = any(e.stxkeys) and a.atttypid = any($2))
    or exists (select from pg_depend d
               left join pg_proc p on d.refclassid = 'pg_proc'::regclass and p.oid = d.refobjid
               left join pg_attribute a on d.refclassid = 'pg_class'::regclass and a.attrelid = d.refobjid
                 and a.attnum = d.refobjsubid
               where d.classid = 'pg_statistic_ext'::regclass
                 and ((d.refclassid = 'pg_type'::regclass and d.refobjid = any($2)) or p.prorettype = any($2)
                      or a.atttypid = any($2)))
"""
"""Whether any statistics object of the database holds such values: the view that shows them prints what it passes."""
