"""The one program that reads all facts: an anonymous plpgsql block, run alike by a live session and by a pasted script.

It takes the request from the setting `rowreckon.request` and leaves the answer, one JSON document, in the setting
`rowreckon.answer`; both last for the transaction only, as do the planner settings that it changes. It writes nothing,
and runs nothing of the plan: statements built from it are only explained. Each part stands in a subtransaction, so that
a lock or a missing right costs that part alone; after one wait for a lock the others are given up at once.

It has to be started as `in_order` demands, and goes no further where it was not: read-only, literals and search path
such that every word in it means PostgreSQL's own. The session's search path, handed over in `rowreckon.search_path`,
decides which relations are meant. For a request that came from a file it looks up first what may be planned at all
(`own_code`); for plans that this server has just made the questions are planned under that search path.
"""

from __future__ import annotations

from . import own_code, own_output, queries, questions
from .request import Trust

REQUEST_SETTING = "rowreckon.request"
ANSWER_SETTING = "rowreckon.answer"
PATH_SETTING = "rowreckon.search_path"
SAFE_PATH = "pg_catalog, pg_temp"
"""Nothing comes before PostgreSQL's own; temporary objects, which would else come first, come last."""
DEMANDED = (
    ("transaction_read_only", "on"),
    ("standard_conforming_strings", "on"),
    ("client_encoding", "UTF8"),
    ("search_path", SAFE_PATH),
)
"""Settings that have to be so while the program runs, as SHOW prints them."""

_SECTIONS = (
    ("server", queries.SERVER),
    ("settings", queries.SETTINGS),
    ("tablespaces", queries.TABLESPACES),
    ("relations", queries.RELATIONS),
    ("columns", queries.COLUMNS),
    ("types", queries.TYPES),
    ("statistics", queries.STATISTICS),
    ("indexes", queries.INDEXES),
    ("extended_statistics", queries.EXTENDED),
    ("expression_statistics", queries.EXPRESSION_STATISTICS),
    ("constraints", queries.CONSTRAINTS),
    ("functions", queries.FUNCTIONS),
    ("operators", queries.OPERATORS),
)
_QUOTE = "$rowreckon_sql$"


def _literal(sql: str) -> str:
    return f"{_QUOTE}{sql.strip()}{_QUOTE}"


def _sections() -> str:
    rows = ",\n".join(f"    ({n}, '{name}', {_literal(sql)})" for n, (name, sql) in enumerate(_SECTIONS))
    return f"(values\n{rows}) as s(n, name, sql)"


def _question_sources() -> str:
    sources = (
        ("relations", questions.RELATION_QUESTIONS, "plannable"),
        ("clauses", questions.CLAUSE_QUESTIONS, "plannable"),
        ("pairs", questions.PAIR_QUESTIONS, "plannable"),
        ("ends", questions.END_QUESTIONS, "plannable"),
        ("heights", questions.HEIGHT_QUESTIONS, "plannable_oids"),
    )
    blocks = []
    for name, sql, second in sources:
        blocks.append(f"""
  begin
    execute {_literal(f"select coalesce(json_agg(q), '[]') from ({sql.strip()}) q")}
      into part using request, {second}, ends, texts, scans, clauses;
    asked := asked || array(select json_array_elements(part));
  exception when others then
    perform set_config('lock_timeout', '10ms', true) where sqlstate = '55P03';
    failures := failures || json_build_object('part', 'questions about {name}', 'sqlstate', sqlstate,
      'message', sqlerrm);
  end;""")
    return "".join(blocks)


def in_order() -> str:
    """A plpgsql statement that ends the program unless every setting is as demanded."""
    wrong = " or ".join(
        f"pg_catalog.current_setting('{name}') operator(pg_catalog.<>) '{value}'" for name, value in DEMANDED
    )
    return f"""if {wrong} then
    raise exception 'the facts are read only in a read-only transaction with settings of our own';
  end if;"""


def facts_program(trust: Trust) -> str:
    """The DO statement, without parameters: the request is in the setting that `REQUEST_SETTING` names."""
    changed = "array[" + ", ".join(f"'{name}'" for name in questions.CHANGED_SETTINGS) + "]"
    return f"""do language plpgsql $rowreckon_program$
declare
  from_file constant bool := {"false" if trust == "own_list" else "true"};
  request json;
  version int;
  own_path constant text := current_setting('{PATH_SETTING}');
  own_schemas name[];
  changed constant text[] := {changed};
  own_settings jsonb := '{{}}';
  names json;
  tables_above json := '[]';
  looked_at json;
  plannable json;
  oids oid[];
  plannable_oids oid[];
  own_types oid[] := '{{}}';
  own_objects json := '[]';
  own_extended bool := false;
  unprinted oid[] := '{{}}';
  barred json := '[]';
  refused json := '[]';
  texts text[];
  schemas text;
  tables text;
  sections json[] := '{{}}';
  failures json[] := '{{}}';
  asked json[] := '{{}}';
  answers json[] := '{{}}';
  ends json := '[]';
  scans json := '[]';
  clauses json := '[]';
  part json;
  section record;
  side record;
  question json;
  settings_now text;
  statement text;
  name text;
  inspector text;
  height bigint;
  low text;
  high text;
begin
  {in_order()}
  if from_file and exists ({own_code.OWN_CASTS.strip()}) then
    raise exception 'this database has a cast of its own between two of PostgreSQL''s types, which reading would run';
  end if;
  request := current_setting('{REQUEST_SETTING}')::json;
  begin
    perform request::jsonb;  -- reads every character of it, where json takes the text as it stands
  exception when others then
    raise exception 'the plans hold characters that can''t be told in this database, whose encoding is %',
      current_setting('server_encoding');
  end;
  version := current_setting('server_version_num')::int;
  perform set_config('TimeZone', 'UTC', true), set_config('DateStyle', 'ISO, YMD', true),
    set_config('IntervalStyle', 'postgres', true), set_config('extra_float_digits', '1', true);
  foreach name in array changed loop
    own_settings := own_settings || jsonb_build_object(name, current_setting(name));
  end loop;
  own_settings := own_settings || '{{"max_parallel_workers_per_gather": "0"}}';
  perform set_config('search_path', own_path, true);
  own_schemas := pg_catalog.current_schemas(true);
  perform pg_catalog.set_config('search_path', '{SAFE_PATH}', true);
  execute {_literal(queries.NAMES)} into names using request, own_schemas;
  names := coalesce(names, '[]');
  execute {_literal(queries.RELATION_OIDS)} into oids using names;
  select quote_literal(coalesce(array_agg(distinct n.nspname), '{{}}')::text) || '::name[]',
         quote_literal(coalesce(array_agg(distinct c.relname), '{{}}')::text) || '::name[]' into schemas, tables
    from pg_class c join pg_namespace n on n.oid = c.relnamespace
    where c.oid = any(oids) or c.oid in (select i.indexrelid from pg_index i where i.indrelid = any(oids));

  -- what only a user's code could print is left out, and named
  if from_file then
    execute {_literal(own_output.OWN_TYPES)} into own_types;
    execute {_literal(own_output.OWN_OBJECTS)} into own_objects using oids, own_types;
    execute {_literal(own_output.OWN_EXTENDED)} into own_extended using oids, own_types;
    unprinted := array(select (o->>'object')::int8::oid from json_array_elements(own_objects) o);
    failures := array(select distinct jsonb_build_object('part', 'definitions', 'message', o->>'why')
      from json_array_elements(own_objects) o);
    if own_extended then
      failures := failures || json_build_object('part', 'extended statistics', 'message',
        'types of this database''s own are in some of them, and the view would print their values');
    end if;
  end if;

  for section in select * from {_sections()} order by s.n loop
    if section.name = 'expression_statistics' and (version < 140000 or own_extended) then
      continue;
    end if;
    begin
      execute replace(replace(replace(replace(replace(section.sql, '{{schemas}}', schemas), '{{tables}}', tables),
        '{{maintain}}', case when version >= 170000 then {_literal(queries.RELATIONS_MAINTAIN)} else '' end),
        '{{expressions}}', case when version >= 140000 then {_literal(queries.EXTENDED_EXPRESSIONS)} else 'null' end),
        '{{extended}}', (not own_extended)::text)
        into part using request, oids, unprinted, own_types, '{own_output.NOT_PRINTED}'::text;
      sections := sections || json_build_object('name', section.name, 'content', part);
    exception when others then
      perform set_config('lock_timeout', '10ms', true) where sqlstate = '55P03';
      failures := failures || json_build_object('part', section.name, 'sqlstate', sqlstate, 'message', sqlerrm);
    end;
  end loop;

  -- what may be planned: nothing where these can't be told
  texts := array(select x->>'sql' from json_array_elements(request->'texts') with ordinality t(x, i) order by i);
  execute {_literal(questions.TABLES)} into tables_above using request, names;
  plannable := names::jsonb || tables_above::jsonb;
  if from_file then
    -- planning on a partitioned table looks into each of its partitions
    looked_at := names::jsonb || (select coalesce(jsonb_agg(distinct p), '[]')
      from jsonb_array_elements(tables_above::jsonb) t, jsonb_array_elements(t->'tree') p);
    execute {_literal(own_code.RELATIONS_WITH_CODE)} into barred using request, looked_at;
    execute {_literal(own_code.TEXTS_REFUSED)} into refused using request, plannable;
    select coalesce(json_agg(n), '[]') into plannable from json_array_elements(plannable) n
      where not exists (select from json_array_elements(barred) b where b->>'relation' = n->>'oid'
        or exists (select from json_array_elements(n->'tree') p where p->>'oid' = b->>'relation'));
    texts := array(select case when r.text is null then t end from unnest(texts) with ordinality u(t, i)
      left join json_to_recordset(refused) r(text int8) on r.text = i order by i);
  end if;
  plannable_oids := array(select oid from unnest(oids) oid
    where not exists (select from json_array_elements(barred) b where (b->>'relation')::int8 = oid));

  begin
    execute {_literal(questions.SCANS)} into scans using request, plannable, ends, texts;
    execute {_literal(questions.CLAUSES)} into clauses using request, plannable, ends, texts, scans;
  exception when others then
    perform set_config('lock_timeout', '10ms', true) where sqlstate = '55P03';
    failures := failures || json_build_object('part', 'questions about relations', 'sqlstate', sqlstate,
      'message', sqlerrm);
  end;
  begin
    for side in execute {_literal(questions.END_COLUMNS)} using request, plannable, ends, texts, scans, clauses loop
      continue when not side.open;
      low := null;
      high := null;
      begin
        execute format('select (array_agg(v::text order by v %2$s))[1], (array_agg(v::text order by v %2$s desc))[1] '
          'from pg_stats s cross join lateral ('
          'select unnest(array[h[1], h[array_upper(h, 1)]] || case when h is not null or '
          '(select sum(f) from unnest(s.most_common_freqs) f) + s.null_frac > 0.99999 then m end) as v '
          'from (select s.histogram_bounds::text::%1$s[] as h, s.most_common_vals::text::%1$s[] as m) x) y '
          'where s.schemaname = %3$L and s.tablename = %4$L and s.attname = %5$L and s.inherited = %6$L '
          'and v is not null',
          side.type, side.collation, side.schema, side.name, side.column, side.inherited) into low, high;
        if low is not null and high is not null then
          ends := (ends::jsonb || jsonb_build_array(jsonb_build_object('relation', side.relation, 'attnum', side.attnum,
            'type', side.type, 'low', low, 'high', high)))::json;
        end if;
      exception when others then
        perform set_config('lock_timeout', '10ms', true) where sqlstate = '55P03';
        failures := failures || json_build_object('part', 'ends', 'relation', side.relation, 'attnum', side.attnum,
          'sqlstate', sqlstate);
      end;
    end loop;
  exception when others then
    perform set_config('lock_timeout', '10ms', true) where sqlstate = '55P03';
    failures := failures || json_build_object('part', 'ends', 'sqlstate', sqlstate);
  end;
{_question_sources()}

  select n.nspname into inspector from pg_extension e join pg_namespace n on n.oid = e.extnamespace
    where e.extname = 'pageinspect';
  if from_file then
    inspector := null;  -- an extension's function, and only for superusers
  end if;
  -- several plans, and several clauses of one, ask the same: each statement is planned once, like settings in a row
  select coalesce(array_agg(json_build_object('sql', g.sql, 'settings', g.settings::json, 'for', g.targets)
      order by g.settings, g.first), '{{}}') into asked
    from (select q->>'sql' as sql, q->>'settings' as settings, min(n) as first,
            json_agg(json_build_object('kind', q->'kind', 'n', q->'n', 'what', q->'what') order by n) as targets
          from unnest(asked) with ordinality u(q, n) group by 1, 2) g;
  foreach question in array asked loop
    begin
      if question->'for'->0->>'kind' = 'height' and inspector is not null then
        begin
          execute format('select fastlevel from %I.bt_metap($1)', inspector) into height
            using (select format('%I.%I', n.nspname, c.relname) from pg_class c join pg_namespace n
                   on n.oid = c.relnamespace where c.oid = (question->'for'->0->>'n')::int8::oid);
          answers := answers || json_build_object('for', question->'for', 'height', height);
          continue;
        exception when others then
          inspector := null;  -- installed, but not for this role
        end;
      end if;
      if question->>'settings' is distinct from settings_now then
        foreach name in array changed loop
          perform set_config(name, coalesce(question->'settings'->>name, own_settings->>name), true);
        end loop;
        settings_now := question->>'settings';
      end if;
      statement := 'explain (format json) ' || (question->>'sql');
      if not from_file then
        perform set_config('search_path', own_path, true);
      end if;
      -- by a cursor, which is opened for one statement only, whatever the text holds
      for part in execute statement loop null; end loop;
      perform pg_catalog.set_config('search_path', '{SAFE_PATH}', true);
      part := part->0->'Plan';
      answers := answers || json_build_object('for', question->'for', 'node', part->'Node Type',
        'index', coalesce(part->'Index Name', part->'Plans'->0->'Index Name'),
        'startup', part->'Startup Cost', 'total', part->'Total Cost', 'rows', part->'Plan Rows',
        'width', part->'Plan Width', 'index_cond', coalesce(part->'Index Cond', part->'Recheck Cond'),
        'filter', part->'Filter');
    exception when others then
      perform set_config('lock_timeout', '10ms', true) where sqlstate = '55P03';
      settings_now := null;  -- undone with the subtransaction
      failures := failures || json_build_object('for', question->'for', 'sqlstate', sqlstate,
        'message', case when question->'for'->0->>'kind' <> 'end' then sqlerrm end);
    end;
  end loop;
  {in_order()}
  perform set_config('{ANSWER_SETTING}', json_build_object('facts', 'rowreckon.facts/1', 'request', request,
    'search_path', own_path, 'names', names, 'barred', barred, 'refused', refused, 'sections', to_json(sections),
    'answers', to_json(answers), 'failures', to_json(failures))::jsonb::text, true);  -- jsonb: on one line
end $rowreckon_program$"""
