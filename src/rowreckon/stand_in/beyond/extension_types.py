"""The SQL for what extensions of a source brought; parameters as in `stand_in/script/queries.py`."""

from __future__ import annotations

from typing import Final

# Types that PostgreSQL's own extensions brought.
EXTENSION_TYPES: Final = """
with recursive used(oid) as (
  select distinct a.atttypid from pg_attribute a where a.attrelid = any($2) and a.attnum > 0 and not a.attisdropped
  union select x.oid from used u join pg_type t on t.oid = u.oid
    cross join lateral (values (t.typelem), (t.typbasetype)) x(oid) where x.oid <> 0)
select coalesce(json_agg(json_build_object('oid', t.oid::int8, 'schema', n.nspname, 'name', t.typname,
  'extension', e.extname) order by t.oid), '[]')
from used u join pg_type t on t.oid = u.oid join pg_namespace n on n.oid = t.typnamespace
  join pg_depend d on d.classid = 'pg_type'::regclass and d.objid = t.oid and d.deptype = 'e'
    and d.refclassid = 'pg_extension'::regclass
  join pg_extension e on e.oid = d.refobjid
where t.typtype = 'b' and t.oid <> all($4)
"""
