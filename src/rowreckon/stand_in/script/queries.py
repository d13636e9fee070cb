"""The SQL that reads what a stand-in is built from: one SELECT a section, each giving one JSON value.

$1 is the request as json, $2 the relations' OIDs, $3 those of relations, indexes and statistics objects that only a
user's code could print, $4 those of such types (`catalog/own_output.py`).  What a release lacks is looked up through
to_jsonb.  Written for 13 to 18.
Source: the PostgreSQL manual, "System Catalogs", "System Views" and "System Information Functions".
"""

from __future__ import annotations

from typing import Final

from rowreckon.catalog.reviewed import SHIPPED

_USERS: Final = "'16384'::oid"
"""The first OID of objects that a user made (src/include/access/transam.h: FirstNormalObjectId)."""


def prints_own(catalog: str, oid: str) -> str:
    """Whether an expression stored with an object holds something that only a user's code prints."""
    return f"""(cardinality($4) > 0 and exists (select from pg_depend d
      left join pg_proc p on d.refclassid = 'pg_proc'::regclass and p.oid = d.refobjid
      left join pg_attribute x on d.refclassid = 'pg_class'::regclass and x.attrelid = d.refobjid
        and x.attnum = d.refobjsubid
      where d.classid = '{catalog}'::regclass and d.objid = {oid} and ((d.refclassid = 'pg_type'::regclass
        and d.refobjid = any($4)) or p.prorettype = any($4) or x.atttypid = any($4))))"""


# $2: the schemas of the search path. Parents and children come along, and what a view reads.
RELATION_OIDS: Final = f"""
with recursive asked as (
  select distinct r->>0 as schema, r->>1 as name from json_array_elements($1->'relations') r),
named(oid) as (
  select case when a.schema is null then coalesce(
      (select c.oid from pg_class c join pg_namespace n on n.oid = c.relnamespace
        join unnest($2) with ordinality p(schema, place) on p.schema = n.nspname
        where c.relname = a.name order by p.place limit 1),
      (select (array_agg(c.oid))[1] from pg_class c join pg_namespace n on n.oid = c.relnamespace
        where c.relname = a.name and c.relkind in ('r', 'p', 'v', 'm', 'f') and n.nspname not like 'pg\\_%'
        having count(*) = 1))
    else (select c.oid from pg_class c join pg_namespace n on n.oid = c.relnamespace
      where c.relname = a.name and n.nspname = a.schema) end from asked a),
above(oid) as (
  select oid from named where oid is not null
  union select x.oid from above a cross join lateral (
    select i.inhparent as oid from pg_inherits i where i.inhrelid = a.oid
    union all select i.inhrelid from pg_inherits i where i.inhparent = a.oid
    union all select d.refobjid from pg_rewrite r join pg_class v on v.oid = r.ev_class and v.relkind = 'v'
      join pg_depend d on d.classid = 'pg_rewrite'::regclass and d.objid = r.oid
        and d.refclassid = 'pg_class'::regclass and d.refobjid <> a.oid
      where r.ev_class = a.oid
    union all select d.refobjid from pg_policy p join pg_depend d on d.classid = 'pg_policy'::regclass
        and d.objid = p.oid and d.refclassid = 'pg_class'::regclass where p.polrelid = a.oid) x)
select coalesce(array_agg(c.oid order by c.oid), '{{}}') from above a join pg_class c on c.oid = a.oid
where c.relkind in ('r', 'p', 'v', 'm', 'f') and c.relpersistence <> 't' and c.oid >= {_USERS}
"""

SERVER: Final = """
select json_build_object('version', current_setting('server_version_num')::int,
  'block_size', current_setting('block_size')::int, 'segment_pages',
  (select setting::int8 from pg_settings where name = 'segment_size'),
  'encoding', pg_encoding_to_char(d.encoding), 'collate', d.datcollate, 'ctype', d.datctype,
  'provider', to_jsonb(d)->>'datlocprovider',
  'locale', coalesce(to_jsonb(d)->>'datlocale', to_jsonb(d)->>'daticulocale'),
  'extensions', (select coalesce(json_agg(extname order by extname), '[]') from pg_extension),
  'extension_schemas', (select json_object_agg(e.extname, n.nspname) from pg_extension e
    join pg_namespace n on n.oid = e.extnamespace))
from pg_database d where d.datname = current_database()
"""

# The program has set TimeZone and its kin for itself: the session's own values are the reset values.
SETTINGS: Final = r"""
select coalesce(json_object_agg(name, case when name in ('TimeZone', 'DateStyle', 'IntervalStyle') then reset_val
  else setting || coalesce(case unit when '8kB' then '' when 'B' then 'B' else unit end, '') end), '{}')
from pg_settings
where name in ('seq_page_cost', 'random_page_cost', 'cpu_tuple_cost', 'cpu_index_tuple_cost', 'cpu_operator_cost',
  'parallel_tuple_cost', 'parallel_setup_cost', 'work_mem', 'hash_mem_multiplier', 'effective_cache_size',
  'cursor_tuple_fraction', 'from_collapse_limit', 'join_collapse_limit', 'geqo', 'geqo_threshold', 'geqo_effort',
  'geqo_pool_size', 'geqo_generations', 'geqo_selection_bias', 'geqo_seed', 'plan_cache_mode', 'jit',
  'jit_above_cost', 'jit_inline_above_cost', 'jit_optimize_above_cost', 'max_parallel_workers_per_gather',
  'min_parallel_table_scan_size', 'min_parallel_index_scan_size', 'parallel_leader_participation',
  'recursive_worktable_factor', 'constraint_exclusion', 'effective_io_concurrency', 'TimeZone', 'DateStyle',
  'IntervalStyle', 'default_text_search_config', 'array_nulls', 'transform_null_equals', 'bytea_output',
  'xmlbinary', 'temp_buffers') or name like 'enable\_%'
"""

RELATIONS: Final = f"""
select coalesce(json_agg(json_build_object('oid', c.oid::int8, 'schema', n.nspname, 'name', c.relname,
  'kind', c.relkind::text,
  'pages', case when c.relkind in ('r', 'm') and c.oid <> all($3)
    then pg_relation_size(c.oid) / current_setting('block_size')::int else 0 end,
  'relpages', c.relpages, 'reltuples', c.reltuples::text::float8, 'relallvisible', c.relallvisible,
  'options', coalesce(c.reloptions, '{{}}'),
  'row_security', c.relrowsecurity, 'own_storage', c.relam >= {_USERS},
  'parents', array(select i.inhparent::int8 from pg_inherits i where i.inhrelid = c.oid order by i.inhseqno),
  'partition', c.relispartition,
  'bound', case when c.oid <> all($3) then pg_get_expr(c.relpartbound, c.oid) end,
  'partition_key', case when c.oid <> all($3) and c.relkind = 'p' then pg_get_partkeydef(c.oid) end,
  'view', case when c.relkind = 'v' and not exists (select from pg_rewrite r where r.ev_class = c.oid
      and {prints_own("pg_rewrite", "r.oid")}) then pg_get_viewdef(c.oid) end,
  'page_costs', (select json_object_agg(o.option_name, o.option_value) from pg_tablespace s
    cross join lateral pg_options_to_table(s.spcoptions) o
    where s.oid = coalesce(nullif(c.reltablespace, 0), b.dattablespace)
      and o.option_name in ('seq_page_cost', 'random_page_cost'))) order by c.oid), '[]')
from pg_class c join pg_namespace n on n.oid = c.relnamespace join pg_database b on b.datname = current_database()
where c.oid = any($2)
"""

COLUMNS: Final = f"""
select coalesce(json_agg(json_build_object('relation', a.attrelid::int8, 'number', a.attnum, 'name', a.attname,
  'dropped', a.attisdropped, 'not_null', a.attnotnull,
  'type', case when not a.attisdropped and a.atttypid <> all($4) then format_type(a.atttypid, a.atttypmod) end,
  'collation', case when a.attcollation <> 0 and a.attcollation <> t.typcollation
    then json_build_array(cn.nspname, co.collname) end,
  'generated', nullif(a.attgenerated, '')::text,
  'expression', case when a.attgenerated <> '' and not {prints_own("pg_attrdef", "f.oid")}
    then pg_get_expr(f.adbin, f.adrelid) end) order by a.attrelid, a.attnum), '[]')
from pg_attribute a left join pg_type t on t.oid = a.atttypid
  left join pg_collation co on co.oid = a.attcollation left join pg_namespace cn on cn.oid = co.collnamespace
  left join pg_attrdef f on f.adrelid = a.attrelid and f.adnum = a.attnum
where a.attrelid = any($2) and a.attnum > 0
"""

# Enums and domains that columns are made of, by themselves, in arrays, and as one another's base.
TYPES: Final = f"""
with recursive used(oid) as (
  select distinct a.atttypid from pg_attribute a where a.attrelid = any($2) and a.attnum > 0 and not a.attisdropped
  union select x.oid from used u join pg_type t on t.oid = u.oid
    cross join lateral (values (t.typelem), (t.typbasetype)) x(oid) where x.oid <> 0)
select coalesce(json_agg(json_build_object('oid', t.oid::int8, 'schema', n.nspname, 'name', t.typname,
  'kind', t.typtype::text,
  'labels', array(select e.enumlabel from pg_enum e where e.enumtypid = t.oid order by e.enumsortorder),
  'base', case when t.typtype = 'd' and t.typbasetype <> all($4) then format_type(t.typbasetype, t.typtypmod) end)
  order by t.oid), '[]')
from used u join pg_type t on t.oid = u.oid join pg_namespace n on n.oid = t.typnamespace
where t.oid >= {_USERS} and t.typtype in ('e', 'd')
"""

CONSTRAINTS: Final = f"""
select coalesce(json_agg(json_build_object('oid', k.oid::int8, 'relation', k.conrelid::int8, 'name', k.conname,
  'type', k.contype::text, 'index', nullif(k.conindid, 0)::int8, 'inherited', k.coninhcount > 0,
  'definition', case when not {prints_own("pg_constraint", "k.oid")} then pg_get_constraintdef(k.oid) end)
  order by k.oid), '[]')
from pg_constraint k
where k.conrelid = any($2) and (k.contype in ('p', 'u', 'c')
  or (k.contype = 'f' and k.conparentid = 0 and k.confrelid = any($2)))
"""

INDEXES: Final = """
select coalesce(json_agg(json_build_object('oid', c.oid::int8, 'relation', i.indrelid::int8, 'schema', n.nspname,
  'name', c.relname, 'method', m.amname, 'definition', pg_get_indexdef(c.oid),
  'constraint', (select k.oid::int8 from pg_constraint k where k.conindid = c.oid and k.contype in ('p', 'u')),
  'parent', (select h.inhparent::int8 from pg_inherits h where h.inhrelid = c.oid),
  'usable', i.indisvalid and i.indislive and not i.indcheckxmin,
  'pages', case when c.relkind = 'i' then pg_relation_size(c.oid) / current_setting('block_size')::int else 0 end,
  'relpages', c.relpages, 'reltuples', c.reltuples::text::float8,
  'keys', array(select a.attname from pg_attribute a where a.attrelid = c.oid and a.attnum > 0 order by a.attnum),
  'expressions', array(select k.i from generate_series(1, i.indnkeyatts) k(i) where i.indkey[k.i - 1] = 0),
  'partial', i.indpred is not null,
  'page_costs', (select json_object_agg(o.option_name, o.option_value) from pg_tablespace s
    cross join lateral pg_options_to_table(s.spcoptions) o
    where s.oid = coalesce(nullif(c.reltablespace, 0), b.dattablespace)
      and o.option_name in ('seq_page_cost', 'random_page_cost'))) order by c.oid), '[]')
from pg_index i join pg_class c on c.oid = i.indexrelid join pg_am m on m.oid = c.relam
  join pg_namespace n on n.oid = c.relnamespace join pg_database b on b.datname = current_database()
where i.indrelid = any($2) and c.oid <> all($3)
"""

# Also of expression indexes, whose rows stand under the index's name. Values only where the request wants them, and
# where PostgreSQL's own code prints them.
STATISTICS: Final = """
with held as (
  select a.attrelid, a.attnum, n.nspname, c.relname, a.attname, a.atttypid <> all($4) as printed
  from pg_attribute a join pg_class c on c.oid = a.attrelid join pg_namespace n on n.oid = c.relnamespace
  where a.attnum > 0 and not a.attisdropped and (c.oid = any($2) or (c.oid <> all($3) and c.oid in (
    select i.indexrelid from pg_index i where i.indrelid = any($2) and i.indexprs is not null))))
select coalesce(json_agg(json_build_object('relation', h.attrelid::int8, 'number', h.attnum, 'inherited', s.inherited,
  'null_frac', s.null_frac::text::float8, 'width', s.avg_width, 'distinct', s.n_distinct::text::float8,
  'common', case when h.printed and v.wanted then s.most_common_vals::text end,
  'common_freqs', s.most_common_freqs::text::float8[],
  'bounds', case when h.printed and v.wanted then s.histogram_bounds::text end,
  'correlation', s.correlation::text::float8,
  'elements', case when h.printed and v.wanted then s.most_common_elems::text end,
  'element_freqs', s.most_common_elem_freqs::text::float8[],
  'element_counts', s.elem_count_histogram::text::float8[],
  'ranges', case when h.printed and v.wanted then to_jsonb(s)->>'range_bounds_histogram' end,
  'empty_ranges', case when h.printed and v.wanted then (to_jsonb(s)->>'range_empty_frac')::float8 end,
  'range_lengths', case when h.printed and v.wanted then to_jsonb(s)->>'range_length_histogram' end)
  order by h.attrelid, h.attnum, s.inherited), '[]')
from held h join pg_stats s on s.schemaname = h.nspname and s.tablename = h.relname and s.attname = h.attname
  cross join (select coalesce(($1->>'with_values')::bool, false)) v(wanted)
"""

FUNCTIONS: Final = f"""
with wanted(name) as (select json_array_elements_text($1->'functions')),
used(oid) as (
  select p.oid from pg_proc p join wanted w on w.name = p.proname
  union select d.refobjid from pg_depend d where d.refclassid = 'pg_proc'::regclass and (
    (d.classid = 'pg_class'::regclass and d.objid in (
      select i.indexrelid from pg_index i where i.indrelid = any($2) union all select unnest($2)))
    or (d.classid = 'pg_constraint'::regclass and d.objid in (
      select k.oid from pg_constraint k where k.conrelid = any($2)))
    or (d.classid = 'pg_attrdef'::regclass and d.objid in (select f.oid from pg_attrdef f where f.adrelid = any($2)))
    or (d.classid = 'pg_statistic_ext'::regclass and d.objid in (
      select e.oid from pg_statistic_ext e where e.stxrelid = any($2)))
    or (d.classid = 'pg_policy'::regclass and d.objid in (select p.oid from pg_policy p where p.polrelid = any($2)))
    or (d.classid = 'pg_rewrite'::regclass and d.objid in (select r.oid from pg_rewrite r where r.ev_class = any($2)))))
select coalesce(json_agg(json_build_object('oid', p.oid::int8, 'schema', n.nspname, 'name', p.proname,
  'arguments', pg_get_function_identity_arguments(p.oid), 'result', pg_get_function_result(p.oid),
  'volatility', p.provolatile::text, 'parallel', p.proparallel::text, 'strict', p.proisstrict,
  'leakproof', p.proleakproof, 'cost', p.procost::text::float8, 'rows', p.prorows::text::float8,
  'set', p.proretset, 'language', l.lanname, 'support', p.prosupport::oid <> 0,
  'extension', (select e.extname from pg_depend d join pg_extension e on e.oid = d.refobjid
    where d.classid = 'pg_proc'::regclass and d.objid = p.oid and d.deptype = 'e'
      and d.refclassid = 'pg_extension'::regclass)) order by p.oid), '[]')
from used u join pg_proc p on p.oid = u.oid join pg_namespace n on n.oid = p.pronamespace
  join pg_language l on l.oid = p.prolang
where p.oid >= {_USERS} and p.prokind = 'f' and p.prorettype <> all($4)
"""

EXTENDED: Final = """
select coalesce(json_agg(json_build_object('oid', e.oid::int8, 'relation', e.stxrelid::int8, 'schema', n.nspname,
  'name', e.stxname, 'definition', pg_get_statisticsobjdef(e.oid)) order by e.oid), '[]')
from pg_statistic_ext e join pg_namespace n on n.oid = e.stxnamespace
where e.stxrelid = any($2) and e.oid <> all($3)
"""

EXTENDED_DATA: Final = """
select coalesce(json_agg(json_build_object('object', e.oid::int8, 'inherited', coalesce(
    (to_jsonb(s)->>'inherited')::bool, false), 'distinct', s.n_distinct::text, 'dependencies', s.dependencies::text,
  'common', case when v.wanted then to_json(s.most_common_vals) end,
  'freqs', s.most_common_freqs, 'base_freqs', s.most_common_base_freqs)
  order by e.oid), '[]')
from pg_statistic_ext e join pg_namespace n on n.oid = e.stxnamespace
  join pg_stats_ext s on s.statistics_schemaname = n.nspname and s.statistics_name = e.stxname
  cross join (select coalesce(($1->>'with_values')::bool, false)) v(wanted)
where e.stxrelid = any($2) and e.oid <> all($3)
"""

# From 14: statistics of the expressions of a statistics object, in their order.
EXTENDED_EXPRESSIONS: Final = """
select coalesce(json_agg(json_build_object('object', e.oid::int8, 'number', x.n,
  'inherited', coalesce((to_jsonb(s)->>'inherited')::bool, false),
  'null_frac', s.null_frac::text::float8, 'width', s.avg_width, 'distinct', s.n_distinct::text::float8,
  'common', case when v.wanted then s.most_common_vals::text end,
  'common_freqs', s.most_common_freqs::text::float8[],
  'bounds', case when v.wanted then s.histogram_bounds::text end,
  'correlation', s.correlation::text::float8,
  'elements', case when v.wanted then s.most_common_elems::text end,
  'element_freqs', s.most_common_elem_freqs::text::float8[],
  'element_counts', s.elem_count_histogram::text::float8[]) order by e.oid, x.n), '[]')
from pg_statistic_ext e join pg_namespace n on n.oid = e.stxnamespace
  cross join lateral unnest(pg_get_statisticsobjdef_expressions(e.oid)) with ordinality x(expr, n)
  join pg_stats_ext_exprs s on s.statistics_schemaname = n.nspname and s.statistics_name = e.stxname
    and s.expr = x.expr
  cross join (select coalesce(($1->>'with_values')::bool, false)) v(wanted)
where e.stxrelid = any($2) and e.oid <> all($3) and s.null_frac is not null
"""

# Columns that lead a B-tree by their type's own order, of tables that this role may read whole and that few dead rows
# hide the ends of. The column's collation must be the index's.
END_COLUMNS: Final = f"""
select distinct a.attrelid::int8 as relation, a.attnum as number, format('%I.%I', n.nspname, c.relname) as item,
  quote_ident(a.attname) as attribute
from pg_index i join pg_class x on x.oid = i.indexrelid join pg_am m on m.oid = x.relam and m.amname = 'btree'
  join pg_class c on c.oid = i.indrelid and c.relkind in ('r', 'm') join pg_namespace n on n.oid = c.relnamespace
  join pg_attribute a on a.attrelid = c.oid and a.attnum = i.indkey[0] and a.attcollation = i.indcollation[0]
  join pg_opclass o on o.oid = i.indclass[0] and o.opcdefault
where c.oid = any($2) and c.oid <> all($3) and i.indisvalid and i.indpred is null and x.oid <> all($3)
  and (a.atttypid < {_USERS} or a.atttypid in (
    select s.oid from ({SHIPPED}) s where s.class = 'pg_type'::regclass))
  and has_schema_privilege(n.oid, 'USAGE') and has_column_privilege(c.oid, a.attnum, 'SELECT')
  and not row_security_active(c.oid) and pg_stat_get_dead_tuples(c.oid) < 1000000
order by 1, 2
"""

# The same for expressions that lead a B-tree: of the rows at their ends, the columns that the index is made of.
END_EXPRESSIONS: Final = f"""
select i.indrelid::int8 as relation, format('%I.%I', n.nspname, c.relname) as item,
  pg_get_indexdef(i.indexrelid, 1, false) as expression, k.numbers, k.row_text
from pg_index i join pg_class x on x.oid = i.indexrelid join pg_am m on m.oid = x.relam and m.amname = 'btree'
  join pg_class c on c.oid = i.indrelid and c.relkind in ('r', 'm') join pg_namespace n on n.oid = c.relnamespace
  join pg_opclass o on o.oid = i.indclass[0] and o.opcdefault
  cross join lateral (
    select array_agg(a.attnum order by a.attnum) as numbers, bool_and(a.atttypid < {_USERS} and a.attgenerated = ''
        and has_column_privilege(c.oid, a.attnum, 'SELECT')) as plain,
      'array[' || string_agg(format('e.%I::text', a.attname), ', ' order by a.attnum) || ']' as row_text
    from pg_attribute a where a.attrelid = c.oid and a.attnum in (
      select d.refobjsubid from pg_depend d where d.classid = 'pg_class'::regclass and d.objid = x.oid
        and d.refclassid = 'pg_class'::regclass and d.refobjid = c.oid and d.refobjsubid > 0)) k
where c.oid = any($2) and i.indkey[0] = 0 and i.indisvalid and i.indpred is null and x.oid <> all($3) and k.plain
  and has_schema_privilege(n.oid, 'USAGE') and not row_security_active(c.oid)
  and pg_stat_get_dead_tuples(c.oid) < 1000000
order by 1, 3
"""
