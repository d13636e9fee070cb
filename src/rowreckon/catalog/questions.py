"""Questions to the planner: which statements to EXPLAIN, never run, so that it tells what it computes inside.

A printed row estimate is rounded to whole rows. Joining the relation with a generated series of known length before the
condition is applied multiplies the estimate, so that a selectivity comes out with about twelve digits:
`LEFT JOIN series ON condition` estimates rows x length x selectivity, the condition being charged where it stands.
With cpu_operator_cost at 1 and the other costs at 0, a printed cost counts operator calls: that tells a filter's cost
per row, and a B-tree's height (a descent is charged 50 operator calls a level, plus log2 of the tuples, which is < 50).
Source: PostgreSQL, src/backend/optimizer/path/costsize.c and src/backend/utils/adt/selfuncs.c; checked on 13 to 18.

$1 is the request, $2 the names of relations that may be planned on and the partitioned tables, both json, $3 the ends
found (below), $4 the texts of the request, null where one may not be asked: they were printed from trees, and a place
without its text asks nothing.  $5 are the scans and $6 the clauses, as `SCANS` and `CLAUSES` give them, once for all
questions.  Each query of questions gives rows of (kind, n, what, sql, settings), where n is the position of the
relation, clause or pair in the request, or an index's oid.

What json holds is matched by one text on each side: two conditions at once the planner takes for so selective that it
loops over every pair, and three lists of a few hundred entries took a quarter of a minute.
"""

from __future__ import annotations

SERIES_LENGTH = 1_000_000_000_000
"""Rows of the series behind a restriction's selectivity."""
JOIN_SERIES_LENGTH = 1_000_000
"""Rows of the series behind a join's selectivity."""

# Named with its schema, since a question is planned under the search path of whoever's query it is about.
_SERIES = f"pg_catalog.generate_series(1::bigint, {SERIES_LENGTH}) as rowreckon_series(n)"
_JOIN_SERIES = f"pg_catalog.generate_series(1, {JOIN_SERIES_LENGTH}) as rowreckon_series(n)"
_MULTIPLIED = f"cross join {_SERIES}"

# Settings that a question may change; each is put back to the session's own before the next question.
CHANGED_SETTINGS = (
    "enable_seqscan",
    "enable_indexscan",
    "enable_indexonlyscan",
    "enable_bitmapscan",
    "enable_tidscan",
    "enable_sort",
    "enable_incremental_sort",
    "enable_hashjoin",
    "enable_mergejoin",
    "enable_nestloop",
    "enable_material",
    "join_collapse_limit",
    "from_collapse_limit",
    "seq_page_cost",
    "random_page_cost",
    "cpu_tuple_cost",
    "cpu_index_tuple_cost",
    "cpu_operator_cost",
    "max_parallel_workers_per_gather",
)

_OFF = (
    '"enable_seqscan": "off", "enable_indexscan": "off", "enable_indexonlyscan": "off", "enable_bitmapscan": "off", '
    '"enable_tidscan": "off"'
)
_SEQ = f'{{{_OFF}, "enable_seqscan": "on"}}'
_INDEX = f'{{{_OFF}, "enable_indexscan": "on"}}'
_INDEX_ONLY = f'{{{_OFF}, "enable_indexscan": "on", "enable_indexonlyscan": "on"}}'
_BITMAP = f'{{{_OFF}, "enable_bitmapscan": "on"}}'
_COUNT_CALLS = (
    '"cpu_operator_cost": "1", "cpu_tuple_cost": "0", "cpu_index_tuple_cost": "0", "seq_page_cost": "0", '
    '"random_page_cost": "0"'
)
_QUALS = f'{{{_OFF}, "enable_seqscan": "on", {_COUNT_CALLS}}}'
_HEIGHT = (
    f'{{"enable_seqscan": "off", "enable_bitmapscan": "off", "enable_sort": "off", "enable_incremental_sort": "off", '
    f'"enable_indexscan": "on", "enable_indexonlyscan": "on", {_COUNT_CALLS}, "random_page_cost": "1"}}'
)
_ONLY_HASH = '{"enable_hashjoin": "on", "enable_mergejoin": "off", "enable_nestloop": "off"}'
_ONLY_MERGE = '{"enable_hashjoin": "off", "enable_mergejoin": "on", "enable_nestloop": "off"}'
_AS_WRITTEN = '{"join_collapse_limit": "1", "from_collapse_limit": "1"}'

# The partitioned tables of the request ($1), each with itself and all below it. Of the tables above the partition that
# a plan names ($2) it is the one called as the plan's alias, or the only one.
TABLES = """
select coalesce(json_agg(t), '[]') from (
  select (r->>'plan') || ' ' || (r->>'alias') as "table", root.oid::int8 as oid, (
    with recursive tree(oid) as (
      select root.oid union select i.inhrelid from pg_inherits i join tree on i.inhparent = tree.oid)
    select json_agg(json_build_object('oid', tree.oid::int8)) from tree) as tree
  from json_array_elements($1->'tables') w(r)
    join json_array_elements($2) known(k) on k->>'name' = r->>'member'
      and (k->>'schema') is not distinct from (r->>'member_schema')
    cross join lateral (
      with recursive above(oid) as (
        select inhparent from pg_inherits where inhrelid = (k->>'oid')::int8::oid
        union select i.inhparent from pg_inherits i join above on i.inhrelid = above.oid)
      select (array_agg(p.oid order by p.relname = r->>'alias' desc))[1] as oid,
        count(*) = 1 or bool_or(p.relname = r->>'alias') as told
      from above join pg_class p on p.oid = above.oid and p.relkind = 'p') root
  where root.told) t
"""

# Scans of the request with their relations. A scan by a partial index leaves out of its printed conditions what the
# index's predicate implies, so the predicate is added; but not that a column is no null which a printed comparison
# keeps from being one. ONLY, because a member of an Append is scanned alone. Partitioned tables come along, with no
# number, as sides of clauses: `part` is then what its restrictions leave, so that the planner leaves out partitions.
SCANS = """
select coalesce(json_agg(s), '[]') from (
  select w.n, (r->>'plan') || ' ' || (r->>'alias') as key, c.oid,
    format('only %I.%I as %I', s.nspname, c.relname, r->>'alias') as item, null as part,
    (select string_agg('(' || e || ')', ' and ') from (
       select $4[i::int] as e from json_array_elements_text(r->'condition_texts') i
       union all
       select pg_get_expr(i.indpred, i.indrelid) from pg_index i join pg_class ic on ic.oid = i.indexrelid
       where i.indrelid = c.oid and i.indpred is not null
         and ic.relname = any(array(select json_array_elements_text(r->'indexes')))
         and not exists (select from pg_attribute a where a.attrelid = c.oid and a.attnum > 0
           and a.attname = any(array(select json_array_elements_text(r->'compared')))
           and pg_get_expr(i.indpred, i.indrelid) = format('(%I IS NOT NULL)', a.attname))) x) as quals,
    (select string_agg($4[i::int], ', ') from json_array_elements_text(r->'column_texts') i) as columns,
    r->'condition_texts' as conditions,
    exists (select from pg_index i where i.indrelid = c.oid) as indexed
  from json_array_elements($1->'relations') with ordinality w(r, n)
    join json_array_elements($2) known(k) on k->>'name' = r->>'name'
      and (k->>'schema') is not distinct from (r->>'schema_name')
    join pg_class c on c.oid = (k->>'oid')::int8::oid and c.relkind in ('r', 'm', 't')
    join pg_namespace s on s.oid = c.relnamespace
  union all
  select null, t.key, t.oid, t.item, case when t.quals is not null then
      format('(select * from %s where %s) as %I', t.item, t.quals, t.alias) end,
    t.quals, null, null, false
  from (
    select (r->>'plan') || ' ' || (r->>'alias') as key, r->>'alias' as alias, c.oid,
      format('%I.%I as %I', s.nspname, c.relname, r->>'alias') as item,
      (select string_agg('(' || $4[i::int] || ')', ' and ')
       from json_array_elements_text(r->'condition_texts') i) as quals
    from json_array_elements($1->'tables') w(r)
      join json_array_elements($2) known(k) on k->>'table' = (r->>'plan') || ' ' || (r->>'alias')
      join pg_class c on c.oid = (k->>'oid')::int8::oid
      join pg_namespace s on s.oid = c.relnamespace) t) s
"""
_SCANS = """
scans as (
  select * from json_to_recordset($5)
    s(n int8, key text, oid oid, item text, part text, quals text, columns text, conditions json, indexed bool))
"""

RELATION_QUESTIONS = f"""
with {_SCANS},
bare as (
  select s.*, format('select %s from %s', s.columns, s.item) as whole,
    coalesce(' where ' || s.quals, '') as filtered,
    format('select from %s left join {_SERIES} on ', s.item)
      as series from scans s where s.n is not null)
select 'relation' as kind, n::int8 as n, q.what, q.sql, q.settings::json as settings
from bare cross join lateral (values
  ('cheapest', whole || filtered, '{{}}', true),
  ('seq_scan', whole || filtered, '{_SEQ}', true),
  ('index_scan', whole || filtered, '{_INDEX}', indexed),
  ('index_only_scan', whole || filtered, '{_INDEX_ONLY}', indexed),
  ('bitmap_scan', whole || filtered, '{_BITMAP}', indexed and quals is not null),
  ('bare', whole, '{_QUALS}', true),
  ('quals', whole || filtered, '{_QUALS}', quals is not null),
  ('selectivity', series || quals, '{{}}', quals is not null)) q(what, sql, settings, wanted)
where q.wanted
union all
select 'relation', n, 'conjunct ' || c.ordinality, series || '(' || $4[c.value::int] || ')', '{{}}'::json
from bare cross join json_array_elements_text(conditions) with ordinality c
where quals <> format('(%s)', $4[c.value::int]) and $4[c.value::int] is not null
order by 2, 3
"""

CLAUSES = f"""
with {_SCANS}
select coalesce(json_agg(k), '[]') from (
  select w.n, c->>'operator' as operator, $4[(c->>'left_text')::int] as l, $4[(c->>'right_text')::int] as r,
    coalesce('operator(' || replace(quote_ident(c->>'operator_schema'), '%', '%%') || '.%s)', '%s') as way,
    c->>'left_cast' as left_cast, c->>'right_cast' as right_cast,
    coalesce(a.part, a.item) as left_item, coalesce(b.part, b.item) as right_item,
    a.oid as left_oid, b.oid as right_oid, la.attnum as left_attnum, ra.attnum as right_attnum
  from json_array_elements($1->'clauses') with ordinality w(c, n)
    join scans a on a.key = (c->>'plan') || ' ' || (c->>'left_alias')
    join scans b on b.key = (c->>'plan') || ' ' || (c->>'right_alias')
    left join pg_attribute la on la.attrelid = a.oid and la.attname = c->>'left_column' and not la.attisdropped
    left join pg_attribute ra on ra.attrelid = b.oid and ra.attname = c->>'right_column' and not ra.attisdropped
  where $4[(c->>'left_text')::int] is not null and $4[(c->>'right_text')::int] is not null) k
"""
_CLAUSES = """
clauses as (
  select * from json_to_recordset($6) c(n int8, operator text, l text, r text, way text, left_cast text,
    right_cast text, left_item text, right_item text, left_oid oid, right_oid oid, left_attnum int2, right_attnum int2))
"""

# The share of rows with a match is asked as that of those without: a semijoin over a unique side becomes an inner join
# (reduce_unique_semijoins in optimizer/plan/analyzejoins.c), whose estimate is another where there are several clauses.
# Where a foreign key joins the two relations the planner puts 1/referenced rows in place of the clause's own
# selectivity, which hash and merge costs still use; <> is estimated as the complement and no foreign key matches it.
CLAUSE_QUESTIONS = f"""
with {_CLAUSES},
ready as (
  select c.*, format('(%s) %s (%s)', l, format(way, operator), r) as clause,
    format('(%s) %s (%s)', l, format(way, '<>'), r) as unequal,
    operator = '=' and exists (select from pg_constraint f where f.contype = 'f'
      and (f.conrelid, f.confrelid) in ((left_oid, right_oid), (right_oid, left_oid))) as keyed
  from clauses c)
select 'clause' as kind, n::int8 as n, q.what, q.sql, q.settings::json as settings
from ready cross join lateral (values
  ('inner', format('select from (%s cross join {_JOIN_SERIES}) '
                   'join %s on %s', left_item, right_item, clause), '{_AS_WRITTEN}', not keyed),
  ('unequal', format('select from (%s cross join {_JOIN_SERIES}) '
                     'join %s on %s', left_item, right_item, unequal), '{_AS_WRITTEN}', keyed),
  ('anti', format('select from (%s {_MULTIPLIED}) '
                  'where not exists (select from %s where %s)', left_item, right_item, clause), '{_AS_WRITTEN}', true),
  ('anti_turned', format('select from (%s {_MULTIPLIED}) '
                  'where not exists (select from %s where %s)', right_item, left_item, clause), '{_AS_WRITTEN}', true),
  ('left_whole', 'select from ' || left_item, '{{}}', true),
  ('right_whole', 'select from ' || right_item, '{{}}', true),
  ('hash', format('select from %s join %s on %s', left_item, right_item, clause), '{_ONLY_HASH}', operator = '='),
  ('merge', format('select from %s join %s on %s', left_item, right_item, clause), '{_ONLY_MERGE}', operator = '=')
  ) q(what, sql, settings, wanted)
where q.wanted order by 2, 3
"""

PAIR_QUESTIONS = f"""
with {_SCANS},
pairs as (
  select w.n, a.item as left_item, b.item as right_item, coalesce(a.quals, 'true') as left_quals,
    coalesce(b.quals, 'true') as right_quals,
    (select string_agg('(' || $4[i::int] || ')', ' and ') from json_array_elements_text(p->'clause_texts') i) as clauses
  from json_array_elements($1->'pairs') with ordinality w(p, n)
    join scans a on a.key = (p->>'plan') || ' ' || (p->>'left_alias')
    join scans b on b.key = (p->>'plan') || ' ' || (p->>'right_alias')
  where not exists (select from json_array_elements_text(p->'clause_texts') i where $4[i::int] is null))
select 'pair' as kind, n::int8 as n, q.what, q.sql, q.settings::json as settings
from pairs cross join lateral (values
  ('inner', format('select from (%s cross join {_JOIN_SERIES}) '
    'join %s on %s where %s and %s', left_item, right_item, clauses, left_quals, right_quals), '{_AS_WRITTEN}'),
  ('anti', format('select from (%s {_MULTIPLIED}) '
    'where %s and not exists (select from %s where %s and %s)', left_item, left_quals, right_item, right_quals,
    clauses), '{_AS_WRITTEN}'),
  ('anti_turned', format('select from (%s {_MULTIPLIED}) '
    'where %s and not exists (select from %s where %s and %s)', right_item, right_quals, left_item, left_quals,
    clauses), '{_AS_WRITTEN}'),
  ('left_rows', format('select from %s where %s', left_item, left_quals), '{{}}'),
  ('right_rows', format('select from %s where %s', right_item, right_quals), '{{}}')
  ) q(what, sql, settings)
order by 2, 3
"""

# Reading an index in its own order needs no condition; its startup cost is one descent. Pages cost something, so that
# of several indexes that give the order the smallest is taken, and not any.
HEIGHT_QUESTIONS = f"""
select 'height' as kind, i.indexrelid::int8 as n, 'explain' as what,
  format('select from only %I.%I%s order by ', s.nspname, t.relname,
         ' where ' || pg_get_expr(i.indpred, i.indrelid)) || k.keys as sql, '{_HEIGHT}'::json as settings
from pg_index i join pg_class c on c.oid = i.indexrelid and c.relkind = 'i'
  join pg_am am on am.oid = c.relam and am.amname = 'btree'
  join pg_class t on t.oid = i.indrelid join pg_namespace s on s.oid = t.relnamespace
  cross join lateral (
    select string_agg(format('%s%s using operator(%I.%s) nulls %s',
      case when i.indkey[k - 1] = 0 then '(' || pg_get_indexdef(i.indexrelid, k, false) || ')'
           else quote_ident(a.attname) end,
      case when i.indcollation[k - 1] not in (0, coalesce(a.attcollation, 0))
           then ' collate ' || i.indcollation[k - 1]::regcollation::text else '' end,
      ns.nspname, o.oprname, case when i.indoption[k - 1] & 2 = 2 then 'first' else 'last' end),
      ', ' order by k) as keys,
      count(o.oid) as found
    from pg_catalog.generate_series(1, i.indnkeyatts) k
      join pg_opclass oc on oc.oid = i.indclass[k - 1]
      left join pg_attribute a on a.attrelid = i.indrelid and a.attnum = i.indkey[k - 1] and a.attnum > 0
      left join pg_amop p on p.amopfamily = oc.opcfamily and p.amoplefttype = oc.opcintype
        and p.amoprighttype = oc.opcintype and p.amoppurpose = 's'
        and p.amopstrategy = case when i.indoption[k - 1] & 1 = 1 then 5 else 1 end
      left join pg_operator o on o.oid = p.amopopr left join pg_namespace ns on ns.oid = o.oprnamespace) k
where i.indrelid = any($2) and i.indisvalid and i.indislive and k.found = i.indnkeyatts
order by 2
"""

# The two ends of a join column as get_variable_range takes them (utils/adt/selfuncs.c): the histogram's, widened by the
# most common values, else these alone where they are all there is (> 99.999 % of the rows). It does not probe an index;
# the selectivities asked at these ends below do, where the planner does.
END_COLUMNS = f"""
with {_CLAUSES},
sides as (
  select left_oid as oid, left_attnum as attnum from clauses where left_attnum > 0
  union select right_oid, right_attnum from clauses where right_attnum > 0)
select a.attrelid::int8 as relation, a.attnum, format('%I.%I', s.nspname, c.relname) as item, s.nspname as schema,
  c.relname as name, a.attname as column, format_type(a.atttypid, a.atttypmod) as type,
  coalesce(' collate ' || nullif(a.attcollation, 0)::regcollation::text, '') as collation,
  has_column_privilege(c.oid, a.attnum, 'SELECT') and not row_security_active(c.oid) as open,
  c.relkind = 'p' as inherited
from sides join pg_attribute a on a.attrelid = sides.oid and a.attnum = sides.attnum
  join pg_class c on c.oid = a.attrelid join pg_namespace s on s.oid = c.relnamespace
"""

# $3: the ends found, json of {relation, attnum, low, high, type}. A side is compared with a literal of the other side's
# type, under the same casts as the plan shows.
END_QUESTIONS = f"""
with {_CLAUSES},
ends as (
  select (e->>'relation') || ' ' || (e->>'attnum') as key, e->>'low' as low, e->>'high' as high, e->>'type' as type
  from json_array_elements($3) e),
ready as (
  select c.n, c.l, c.r, c.way, c.left_item, c.right_item,
    format('%L::%s%s', le.low, le.type, c.left_cast) as left_low,
    format('%L::%s%s', le.high, le.type, c.left_cast) as left_high,
    format('%L::%s%s', re.low, re.type, c.right_cast) as right_low,
    format('%L::%s%s', re.high, re.type, c.right_cast) as right_high
  from clauses c join ends le on le.key = c.left_oid::text || ' ' || c.left_attnum::text
    join ends re on re.key = c.right_oid::text || ' ' || c.right_attnum::text
  where c.operator = '=')
select 'end' as kind, n::int8 as n, q.what,
  format('select from %s left join {_SERIES} on (%s) %s (%s)',
         q.item, q.side, format(way, q.operator), q.bound) as sql, '{{}}'::json as settings
from ready cross join lateral (values
  ('left <= high', left_item, l, '<=', right_high), ('right <= high', right_item, r, '<=', left_high),
  ('left < low', left_item, l, '<', right_low), ('right < low', right_item, r, '<', left_low),
  ('left >= low', left_item, l, '>=', right_low), ('right >= low', right_item, r, '>=', left_low),
  ('left > high', left_item, l, '>', right_high), ('right > high', right_item, r, '>', left_high)
  ) q(what, item, side, operator, bound)
order by 2, 3
"""
