"""The SQL for the collations of relations, as CREATE COLLATION takes them; parameters as in `queries.py`."""

from __future__ import annotations

from typing import Final

_FIXED: Final = "(100, 950, 951)"
"""The OIDs of default, "C" and "POSIX" (src/include/catalog/pg_collation.dat), which every server has."""

# Of columns and of indexes' columns; what definitions name besides are dependencies of theirs.
COLLATIONS: Final = f"""
with held(class, oid) as (
  select 'pg_class'::regclass, c from unnest($2) c
  union all select 'pg_class'::regclass, i.indexrelid from pg_index i where i.indrelid = any($2)
  union all select 'pg_rewrite'::regclass, r.oid from pg_rewrite r where r.ev_class = any($2)
  union all select 'pg_constraint'::regclass, k.oid from pg_constraint k where k.conrelid = any($2)
  union all select 'pg_attrdef'::regclass, f.oid from pg_attrdef f where f.adrelid = any($2)
  union all select 'pg_policy'::regclass, p.oid from pg_policy p where p.polrelid = any($2)
  union all select 'pg_statistic_ext'::regclass, e.oid from pg_statistic_ext e where e.stxrelid = any($2)),
used(oid) as (
  select a.attcollation from held h join pg_attribute a on h.class = 'pg_class'::regclass and a.attrelid = h.oid
  union select d.refobjid from held h join pg_depend d on d.classid = h.class and d.objid = h.oid
    and d.refclassid = 'pg_collation'::regclass)
select coalesce(json_agg(json_build_object('oid', c.oid::int8, 'schema', n.nspname, 'name', c.collname,
  'provider', c.collprovider::text, 'collate', c.collcollate, 'ctype', c.collctype,
  'locale', coalesce(to_jsonb(c)->>'colllocale', to_jsonb(c)->>'colliculocale'),
  'deterministic', c.collisdeterministic) order by c.oid), '[]')
from used u join pg_collation c on c.oid = u.oid join pg_namespace n on n.oid = c.collnamespace
where c.oid not in {_FIXED}
"""
