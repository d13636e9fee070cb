"""The SQL that reads catalog facts: one SELECT a section, each giving one JSON value, all set-based.

In every section $1 is the request as json, $2 the oids of the relations, $3 those of relations, indexes and statistics
objects that only a user's code could print, $4 those of such types (`own_output.py`), and $5 what stands for them.
Rights, row security or a lock that one section meets must not spoil the others, so the program (`program.py`) runs each
in a subtransaction of its own. Written for 13 to 18; what a version lacks is looked up through to_jsonb, or set in by
the program where a placeholder stands.
float4 statistics are cast to float8, since the planner reckons with exactly that double.
Source: the PostgreSQL manual, "System Catalogs", "Statistics Views" and "System Information Functions".
"""

from __future__ import annotations

SERVER = """
select json_build_object(
  'server_version', current_setting('server_version_num')::int, 'block_size', current_setting('block_size')::int,
  'database', current_database(), 'role', current_user, 'in_recovery', pg_is_in_recovery(),
  'track_counts', current_setting('track_counts')::bool, 'read_at', now(), 'tablespace', d.dattablespace::int8,
  'stats_reset', pg_stat_get_db_stat_reset_time(d.oid))
from pg_database d where d.datname = current_database()
"""

SETTINGS = r"""
select json_agg(json_build_object('name', name, 'setting', setting, 'unit', unit, 'vartype', vartype, 'source', source)
                order by name)
from pg_settings
where name in ('seq_page_cost', 'random_page_cost', 'cpu_tuple_cost', 'cpu_index_tuple_cost', 'cpu_operator_cost',
  'parallel_tuple_cost', 'parallel_setup_cost', 'work_mem', 'hash_mem_multiplier', 'effective_cache_size',
  'cursor_tuple_fraction', 'default_statistics_target', 'from_collapse_limit', 'join_collapse_limit', 'geqo',
  'geqo_threshold', 'plan_cache_mode', 'jit', 'jit_above_cost', 'max_parallel_workers_per_gather',
  'max_parallel_workers', 'max_worker_processes', 'min_parallel_table_scan_size', 'min_parallel_index_scan_size',
  'parallel_leader_participation', 'recursive_worktable_factor', 'constraint_exclusion', 'effective_io_concurrency',
  'autovacuum', 'track_counts', 'temp_buffers', 'default_transaction_isolation') or name like 'enable\_%'
"""

TABLESPACES = """
select json_agg(json_build_object('oid', s.oid::int8, 'name', s.spcname,
  'seq_page_cost', (select option_value::float8 from pg_options_to_table(s.spcoptions)
                    where option_name = 'seq_page_cost'),
  'random_page_cost', (select option_value::float8 from pg_options_to_table(s.spcoptions)
                       where option_name = 'random_page_cost')) order by s.oid)
from pg_tablespace s where s.spcoptions is not null
"""

# A name with a schema is that relation; one without goes by the search path ($2, as the session resolves it), else by
# being the only one of its name. EXPLAIN prints temporary schemas as pg_temp or pg_temp_N.
NAMES = """
with asked as (
  select distinct r->>'schema_name' as schema, r->>'name' as name from json_array_elements($1->'relations') r),
known as (
  select a.schema, a.name,
    case when a.schema is null then (
           select c.oid from pg_class c join pg_namespace n on n.oid = c.relnamespace
             join unnest($2) with ordinality p(schema, place) on p.schema = n.nspname
           where c.relname = a.name order by p.place limit 1)
         else (select c.oid from pg_class c join pg_namespace n on n.oid = c.relnamespace
               where c.relname = a.name
                 and case when a.schema = 'pg_temp' then n.oid = pg_my_temp_schema() else n.nspname = a.schema end)
    end as oid,
    (select array_agg(c.oid order by c.oid) from pg_class c join pg_namespace n on n.oid = c.relnamespace
     where c.relname = a.name and a.schema is null and c.relkind in ('r', 'p', 'v', 'm', 'f', 't')
       and n.nspname not like 'pg_temp%' and n.nspname not like 'pg_toast_temp%') as others
  from asked a)
select json_agg(json_build_object('schema', schema, 'name', name,
  'oid', (case when oid is not null then oid when cardinality(others) = 1 then others[1] end)::int8,
  'why', case
    when oid is not null and cardinality(others) > 1
      then 'taken from the search path; other schemas have a relation of this name too'
    when oid is not null then null
    when cardinality(others) = 1 then 'outside the search path, but the only relation of this name'
    when cardinality(others) > 1 then 'several schemas have a relation of this name and none is in the search path'
    else 'no such relation is visible in this database' end) order by schema nulls first, name)
from known
"""

# Ancestors come along: whether a partition's parent was ever analyzed is one of the facts looked for.
RELATION_OIDS = """
with recursive up(oid) as (
  select (n->>'oid')::int8::oid from json_array_elements($1) n where n->>'oid' is not null
  union select i.inhparent from pg_inherits i join up on i.inhrelid = up.oid)
select coalesce(array_agg(oid order by oid), '{}') from up
"""

RELATIONS = """
select json_agg(json_build_object(
  'oid', c.oid::int8, 'schema', n.nspname, 'name', c.relname, 'kind', c.relkind::text,
  'persistence', c.relpersistence::text, 'owner', pg_get_userbyid(c.relowner),
  'pages', case when c.relkind in ('r', 'm', 't') and not (c.relam >= 16384 and c.oid = any($3))
    then pg_relation_size(c.oid) / current_setting('block_size')::int end,
  'relpages', c.relpages, 'reltuples', c.reltuples::float8, 'relallvisible', c.relallvisible,
  'has_children', c.relhassubclass, 'is_partition', c.relispartition,
  'parent', (select i.inhparent::int8 from pg_inherits i where i.inhrelid = c.oid order by i.inhseqno limit 1),
  'children', (select json_agg(k.oid order by k.oid) from (
    select i.inhrelid::int8 as oid from pg_inherits i where i.inhparent = c.oid order by 1 limit 1000) k),
  'partition_key', case when c.oid = any($3) then $5 when c.relkind = 'p' then pg_get_partkeydef(c.oid) end,
  'partition_bound', case when c.oid = any($3) then $5 else pg_get_expr(c.relpartbound, c.oid) end,
  'options', (select json_object_agg(option_name, option_value) from pg_options_to_table(c.reloptions)),
  'tablespace', c.reltablespace::int8,
  'n_live_tup', pg_stat_get_live_tuples(c.oid), 'n_dead_tup', pg_stat_get_dead_tuples(c.oid),
  'n_mod_since_analyze', pg_stat_get_mod_since_analyze(c.oid),
  'changes', pg_stat_get_tuples_inserted(c.oid) + pg_stat_get_tuples_updated(c.oid)
    + pg_stat_get_tuples_deleted(c.oid),
  'last_analyze', pg_stat_get_last_analyze_time(c.oid), 'last_autoanalyze', pg_stat_get_last_autoanalyze_time(c.oid),
  'last_vacuum', pg_stat_get_last_vacuum_time(c.oid), 'last_autovacuum', pg_stat_get_last_autovacuum_time(c.oid),
  'analyze_count', pg_stat_get_analyze_count(c.oid) + pg_stat_get_autoanalyze_count(c.oid),
  'row_security', c.relrowsecurity, 'row_security_active', row_security_active(c.oid),
  'selectable', has_schema_privilege(n.oid, 'USAGE') and has_table_privilege(c.oid, 'SELECT'),
  'analyzable', pg_has_role(c.relowner, 'USAGE') or pg_has_role(d.datdba, 'USAGE') {maintain}
) order by c.oid)
from pg_class c join pg_namespace n on n.oid = c.relnamespace join pg_database d on d.datname = current_database()
where c.oid = any($2)
"""
RELATIONS_MAINTAIN = "or has_table_privilege(c.oid, 'MAINTAIN')"  # from 17

COLUMNS = """
select json_agg(json_build_object(
  'relation', a.attrelid::int8, 'attnum', a.attnum, 'name', a.attname, 'type',
  format_type(a.atttypid, case when a.atttypid <> all($4) then a.atttypmod end),
  'type_oid', a.atttypid::int8, 'typmod', a.atttypmod, 'type_length', a.attlen, 'not_null', a.attnotnull,
  'statistics_target', a.attstattarget, 'readable', has_column_privilege(a.attrelid, a.attnum, 'SELECT'),
  'options', (select json_object_agg(option_name, option_value) from pg_options_to_table(a.attoptions))
) order by a.attrelid, a.attnum)
from pg_attribute a where a.attrelid = any($2) and a.attnum > 0 and not a.attisdropped
"""

# What `=` permits depends on the type that it is declared for: a domain's base, text for varchar, the pseudotype of
# arrays, enums, ranges and rows; arrays and composites are as capable as their elements.
TYPES = """
with recursive asked(oid) as (
  select distinct a.atttypid from pg_attribute a where a.attrelid = any($2) and a.attnum > 0 and not a.attisdropped),
part(root, oid, depth) as (
  select oid, oid, 0 from asked
  union select p.root, x.oid, p.depth + 1 from part p join pg_type t on t.oid = p.oid
    cross join lateral (
      select t.typbasetype as oid where t.typtype = 'd'
      union all select t.typelem where t.typelem <> 0 and t.typlen = -1 and t.typtype = 'b'
      union all select a.atttypid from pg_attribute a
        where t.typtype = 'c' and a.attrelid = t.typrelid and a.attnum > 0 and not a.attisdropped) x
  where p.depth < 8),
declared as (
  select p.root, case
    when t.typtype = 'd' then null
    when t.typtype = 'e' then 'anyenum'::regtype::oid
    when t.typtype = 'c' then 'record'::regtype::oid
    when t.typtype = 'r' then 'anyrange'::regtype::oid
    when t.typtype = 'm' then to_regtype('anymultirange')::oid
    when t.typelem <> 0 and t.typlen = -1 and t.typtype = 'b' then 'anyarray'::regtype::oid
    when t.oid = 'varchar'::regtype then 'text'::regtype::oid
    else t.oid end as oid
  from part p join pg_type t on t.oid = p.oid)
select json_agg(json_build_object('oid', root, 'hashable', hashable, 'mergejoinable', mergejoinable) order by root)
from (
  select d.root::int8 as root, bool_and(coalesce(o.oprcanhash, false)) as hashable,
         bool_and(coalesce(o.oprcanmerge, false)) as mergejoinable
  from declared d left join pg_operator o
       on o.oprname = '=' and o.oprleft = d.oid and o.oprright = d.oid and o.oprnamespace = 'pg_catalog'::regnamespace
  where d.oid is not null group by d.root) t
"""

# pg_stats is a security barrier view: only leakproof comparisons with constants get inside it, hence name = any(…).
STATISTICS = """
select json_agg(json_build_object(
  'schema', s.schemaname, 'table', s.tablename, 'name', s.attname, 'inherited', s.inherited,
  'null_frac', s.null_frac::float8, 'avg_width', s.avg_width, 'n_distinct', s.n_distinct::float8,
  'correlation', s.correlation::float8, 'most_common_freqs', s.most_common_freqs::float8[],
  'n_histogram', coalesce(array_length(s.histogram_bounds, 1), 0),
  'elem_count_average', s.elem_count_histogram[array_upper(s.elem_count_histogram, 1)]::float8,
  'most_common_vals', case when p.printed then s.most_common_vals::text::text[] end,
  'histogram_bounds', case when p.printed then s.histogram_bounds::text::text[] end
) order by s.schemaname, s.tablename, s.attname, s.inherited)
from pg_stats s cross join lateral (select ($1->>'with_values')::bool and exists (
    select from pg_class c join pg_namespace n on n.oid = c.relnamespace join pg_attribute a on a.attrelid = c.oid
    where n.nspname = s.schemaname and c.relname = s.tablename and a.attname = s.attname
      and a.atttypid <> all($4)) as printed) p
where s.schemaname = any({schemas}) and s.tablename = any({tables})
"""

INDEXES = """
select json_agg(json_build_object(
  'relation', i.indrelid::int8, 'oid', c.oid::int8, 'schema', n.nspname, 'name', c.relname, 'access_method', am.amname,
  'unique', i.indisunique, 'primary', i.indisprimary, 'valid', i.indisvalid and i.indisready,
  'immediate', i.indimmediate, 'check_xmin', i.indcheckxmin, 'clustered', i.indisclustered,
  'keys', (select json_agg(json_build_object(
      'attnum', nullif(i.indkey[k - 1], 0),
      'expression', case when i.indkey[k - 1] <> 0 then null when c.oid = any($3) then $5
                         else pg_get_indexdef(i.indexrelid, k, false) end,
      'descending', i.indoption[k - 1] & 1 = 1, 'nulls_first', i.indoption[k - 1] & 2 = 2,
      'default_opclass', oc.opcdefault,
      'collation', case when i.indcollation[k - 1] not in (0, coalesce(a.attcollation, 0))
                        then i.indcollation[k - 1]::regcollation::text end,
      'column', ia.attname) order by k)
    from generate_series(1, i.indnkeyatts) k
         join pg_opclass oc on oc.oid = i.indclass[k - 1]
         join pg_attribute ia on ia.attrelid = i.indexrelid and ia.attnum = k
         left join pg_attribute a on a.attrelid = i.indrelid and a.attnum = i.indkey[k - 1] and a.attnum > 0),
  'included', (select json_agg(i.indkey[k - 1] order by k) from generate_series(i.indnkeyatts + 1, i.indnatts) k),
  'predicate', case when i.indpred is not null and c.oid = any($3) then $5
                    else pg_get_expr(i.indpred, i.indrelid) end,
  'pages', case when c.relkind = 'i' and c.oid <> all($3)
                then pg_relation_size(c.oid) / current_setting('block_size')::int end,
  'relpages', c.relpages, 'reltuples', c.reltuples::float8, 'tablespace', c.reltablespace::int8,
  'can_order', c.oid <> all($3) and coalesce(pg_indexam_has_property(am.oid, 'can_order'), false),
  'idx_scan', pg_stat_get_numscans(c.oid), 'idx_tup_read', pg_stat_get_tuples_returned(c.oid),
  'definition', case when c.oid = any($3) then $5 else pg_get_indexdef(i.indexrelid) end,
  'constraint', (select con.conname from pg_constraint con
                 where con.conindid = c.oid and con.contype in ('p', 'u', 'x') and con.conrelid = i.indrelid limit 1)
) order by i.indrelid, c.oid)
from pg_index i join pg_class c on c.oid = i.indexrelid join pg_am am on am.oid = c.relam
     join pg_namespace n on n.oid = c.relnamespace
where i.indrelid = any($2) and i.indislive
"""

EXTENDED = """
select json_agg(json_build_object(
  'relation', e.stxrelid::int8, 'schema', n.nspname, 'name', e.stxname, 'kinds', e.stxkind::text[],
  'columns', e.stxkeys::int2[], 'expressions', {expressions}, 'statistics_target', e.stxstattarget,
  'inherited', to_jsonb(x)->'inherited', 'n_distinct', x.n_distinct::text, 'dependencies', x.dependencies::text,
  'most_common_freqs', x.most_common_freqs::float8[], 'readable', x.statistics_name is not null,
  'definition', case when e.oid = any($3) then $5 else pg_get_statisticsobjdef(e.oid) end
  ) order by e.stxrelid, n.nspname, e.stxname)
from pg_statistic_ext e join pg_namespace n on n.oid = e.stxnamespace
     left join (select * from pg_stats_ext s
                where {extended} and s.schemaname = any({schemas}) and s.tablename = any({tables})) x
       on x.statistics_name = e.stxname and x.statistics_schemaname = n.nspname
where e.stxrelid = any($2)
"""
EXTENDED_EXPRESSIONS = (
    "case when e.oid <> all($3) then to_json(pg_get_statisticsobjdef_expressions(e.oid)) end"  # from 14
)

EXPRESSION_STATISTICS = """
select json_agg(json_build_object(
  'schema', s.statistics_schemaname, 'name', s.statistics_name, 'expression', s.expr,
  'inherited', to_jsonb(s)->'inherited', 'null_frac', s.null_frac::float8, 'avg_width', s.avg_width,
  'n_distinct', s.n_distinct::float8, 'correlation', s.correlation::float8,
  'most_common_freqs', s.most_common_freqs::float8[],
  'n_histogram', coalesce(array_length(s.histogram_bounds, 1), 0)
) order by s.statistics_schemaname, s.statistics_name, s.expr)
from pg_stats_ext_exprs s where s.schemaname = any({schemas}) and s.tablename = any({tables})
"""

CONSTRAINTS = """
select json_agg(json_build_object(
  'relation', c.conrelid::int8, 'name', c.conname, 'type', c.contype::text, 'columns', c.conkey,
  'referenced', nullif(c.confrelid, 0)::int8, 'referenced_columns', c.confkey,
  'validated', c.convalidated and coalesce((to_jsonb(c)->>'conenforced')::bool, true),
  'deferrable', c.condeferrable) order by c.conrelid, c.contype, c.conname)
from pg_constraint c
where c.contype in ('p', 'u', 'f') and (c.conrelid = any($2) or (c.contype = 'f' and c.confrelid = any($2)))
"""

FUNCTIONS = """
select json_agg(f) from (
  select n.nspname as schema_name, p.proname as name, pg_get_function_identity_arguments(p.oid) as arguments,
    p.procost::float8, p.prorows::float8, p.proretset as returns_set,
    case p.provolatile when 'i' then 'immutable' when 's' then 'stable' else 'volatile' end as volatility,
    case p.proparallel when 's' then 'safe' when 'r' then 'restricted' else 'unsafe' end as parallel,
    nullif(p.prosupport::text, '-') as support, l.lanname as language
  from pg_proc p join pg_namespace n on n.oid = p.pronamespace join pg_language l on l.oid = p.prolang
  where p.proname = any(array(select json_array_elements_text($1->'functions')))
  order by 1, 2, 3 limit 500) f
"""

OPERATORS = """
with types as (
  select distinct t.oid from pg_attribute a join pg_type c on c.oid = a.atttypid
    cross join lateral (values (a.atttypid), (c.typbasetype),
      (case when 'varchar'::regtype in (a.atttypid, c.typbasetype) then 'text'::regtype::oid end)) t(oid)
  where a.attrelid = any($2) and a.attnum > 0 and not a.attisdropped and t.oid <> 0)
select json_agg(o) from (
  select o.oprname as name, format_type(o.oprleft, null) as left_type, format_type(o.oprright, null) as right_type,
    o.oprcanmerge as can_merge, o.oprcanhash as can_hash, nullif(o.oprrest::text, '-') as restriction_estimator,
    nullif(o.oprjoin::text, '-') as join_estimator, p.procost::float8, p.proleakproof as leakproof
  from pg_operator o join pg_proc p on p.oid = o.oprcode
  where o.oprname = any(array(select json_array_elements_text($1->'operators')))
    and o.oprleft in (select oid from types) and o.oprright in (select oid from types)
  order by o.oprname, 2, 3, o.oprnamespace) o
"""
