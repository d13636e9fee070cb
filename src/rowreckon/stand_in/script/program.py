"""The program that reads what a stand-in is built from: one plpgsql block, run alike by a live session and by psql.

It takes its request from one setting and leaves its answer, one JSON document, in another.  It has to be started as
the program for a plan's facts is (`catalog/program.py`): read-only, PostgreSQL's own schema first.  It reads catalogs,
asks the planner how high each B-tree is, and looks up the ends of columns that lead one, by that B-tree.  For plans
that came from a file it runs, and has printed, nothing of the users' own code.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Final

from rowreckon.catalog import own_code, own_output, questions
from rowreckon.catalog.program import PATH_SETTING, SAFE_PATH, in_order
from rowreckon.stand_in.beyond import extension_types, foreign
from rowreckon.stand_in.facts import SCHEMA

from . import queries, queries_collations, queries_inside, queries_rights

REQUEST_SETTING: Final = "rowreckon.stand_in_request"
ANSWER_SETTING: Final = "rowreckon.stand_in_answer"

MOST_RELATIONS: Final = 5_000
"""Most relations of one request, partitions included: a catalog query over more would hold a server up."""

_SECTIONS: Final = (
    ("server", queries.SERVER),
    ("settings", queries.SETTINGS),
    ("relations", queries.RELATIONS),
    ("columns", queries.COLUMNS),
    ("types", queries.TYPES),
    ("extension_types", extension_types.EXTENSION_TYPES),
    ("foreign", foreign.FOREIGN),
    ("foreign_files", foreign.FOREIGN_FILES),
    ("collations", queries_collations.COLLATIONS),
    ("constraints", queries.CONSTRAINTS),
    ("indexes", queries.INDEXES),
    ("statistics", queries.STATISTICS),
    ("range_statistics", queries_inside.RANGE_STATISTICS),
    ("gin_counters", queries_inside.GIN_COUNTERS),
    ("roles", queries_rights.ROLES),
    ("rights", queries_rights.RIGHTS),
    ("policies", queries_rights.POLICIES),
    ("functions", queries.FUNCTIONS),
    ("extended", queries.EXTENDED),
    ("extended_data", queries.EXTENDED_DATA),
    ("extended_expressions", queries.EXTENDED_EXPRESSIONS),
)
_QUOTE = "$rowreckon_sql$"


def request_text(relations: Iterable[tuple[str | None, str]], functions: Iterable[str], *, with_values: bool) -> str:
    """The request as it travels, in ASCII and without a dollar sign, so that no quote of ours ends in it."""
    named = sorted({(schema or "", name) for schema, name in relations})
    request = {
        "relations": [[schema or None, name] for schema, name in named],
        "functions": sorted(set(functions)),
        "with_values": with_values,
    }
    return json.dumps(request, ensure_ascii=True).replace("$", "\\u0024").replace("\\u0000", "\\ufffd")


def _literal(sql: str) -> str:
    return f"{_QUOTE}{sql.strip()}{_QUOTE}"


def stand_in_program(*, from_file: bool) -> str:
    """The DO statement; the request is in the setting that `REQUEST_SETTING` names."""
    sections = ",\n".join(f"    ({n}, '{name}', {_literal(sql)})" for n, (name, sql) in enumerate(_SECTIONS))
    off = "\n".join(
        f"    perform set_config('{name}', 'off', true);"
        for name in ("enable_seqscan", "enable_bitmapscan", "enable_sort", "enable_incremental_sort")
    )
    return f"""do language plpgsql $rowreckon_program$
declare
  from_file constant bool := {"true" if from_file else "false"};
  request constant json := current_setting('{REQUEST_SETTING}')::json;
  own_path constant text := current_setting('{PATH_SETTING}');
  version constant int := current_setting('server_version_num')::int;
  own_schemas name[];
  oids oid[];
  plain oid[];
  unprinted oid[] := '{{}}';
  own_types oid[] := '{{}}';
  own_objects json := '[]';
  own_extended bool := false;
  names json;
  barred json := '[]';
  sections jsonb := '{{}}';
  heights json[] := '{{}}';
  ends json[] := '{{}}';
  end_rows json[] := '{{}}';
  missing json[] := '{{}}';
  part json;
  section record;
  question record;
  side record;
  setting record;
  low text;
  high text;
  found text[];
begin
  {in_order()}
  perform set_config('search_path', own_path, true);
  own_schemas := pg_catalog.current_schemas(true);
  perform pg_catalog.set_config('search_path', '{SAFE_PATH}', true);
  if from_file and exists ({own_code.OWN_CASTS.strip()}) then
    raise exception 'this database has a cast of its own between two of PostgreSQL''s types, which reading would run';
  end if;
  perform set_config('TimeZone', 'UTC', true), set_config('DateStyle', 'ISO, YMD', true),
    set_config('IntervalStyle', 'postgres', true), set_config('extra_float_digits', '1', true),
    set_config('bytea_output', 'hex', true);
  execute {_literal(queries.RELATION_OIDS)} into oids using request, own_schemas;
  if cardinality(oids) > {MOST_RELATIONS} then
    raise exception 'a stand-in takes at most {MOST_RELATIONS} relations, and these plans read %', cardinality(oids);
  end if;
  plain := oids;
  if from_file then
    execute {_literal(own_output.OWN_TYPES_BUT_SHIPPED)} into own_types;
    execute {_literal(own_output.OWN_OBJECTS)} into own_objects using oids, own_types;
    execute {_literal(own_output.OWN_EXTENDED)} into own_extended using oids, own_types;
    unprinted := array(select (o->>'object')::int8::oid from json_array_elements(own_objects) o);
    missing := array(select to_json(w) from (select distinct o->>'why' as w from json_array_elements(own_objects) o) x);
    select json_agg(json_build_object('oid', o::int8)) into names from unnest(oids) o;
    if names is not null then
      execute {_literal(own_code.RELATIONS_WITH_CODE_BUT_SHIPPED)} into barred using request, names;
    end if;
    plain := array(select o from unnest(oids) o
      where not exists (select from json_array_elements(barred) b where (b->>'relation')::int8 = o));
  end if;
  for section in select * from (values
{sections}) as s(n, name, sql) order by s.n loop
    continue when section.name in ('extended_data', 'extended_expressions') and own_extended;
    continue when section.name = 'extended_expressions' and version < 140000;
    continue when section.name = 'range_statistics' and (version >= {queries_inside.RANGES_SHOWN_FROM}
      or not {queries_inside.MAY_READ_STATISTICS});
    continue when section.name = 'foreign_files' and not ({foreign.MAY_SEE_FILES});
    continue when section.name = 'gin_counters' and not ({queries_inside.MAY_READ_FILES});
    begin
      execute section.sql into part using request, oids, unprinted, own_types;
      sections := sections || jsonb_build_object(section.name, part);
    exception when others then
      perform set_config('lock_timeout', '10ms', true) where sqlstate = '55P03';
      missing := missing || to_json(format('the %s could not be read: %s', replace(section.name, '_', ' '), sqlerrm));
    end;
  end loop;
  -- the height of each B-tree, as the planner prices its descent
  begin
    for question in execute {_literal(questions.HEIGHT_QUESTIONS)} using request, plain loop
      for setting in select * from json_each_text(question.settings) s(name, value) loop
        perform set_config(setting.name, setting.value, true);
      end loop;
      begin
        for part in execute 'explain (format json) ' || question.sql loop null; end loop;
        part := part->0->'Plan';
        heights := heights || json_build_object('index', question.n, 'name', part->>'Index Name',
          'node', part->>'Node Type', 'startup', part->'Startup Cost');
      exception when others then
        perform set_config('lock_timeout', '10ms', true) where sqlstate = '55P03';
      end;
    end loop;
  exception when others then
    missing := missing || to_json('the heights of the indexes could not be read: ' || sqlerrm);
  end;
  -- the ends of columns, each read through the index that it leads
  if (request->>'with_values')::bool then
{off}
    begin
      for side in execute {_literal(queries.END_COLUMNS)} using request, plain, unprinted loop
        begin
          -- e.: without it the order would be that of the text which is selected under the same name
          execute format('select (select e.%2$s::text from only %1$s e where e.%2$s is not null '
            'order by e.%2$s limit 1), (select e.%2$s::text from only %1$s e where e.%2$s is not null '
            'order by e.%2$s desc limit 1)',
            side.item, side.attribute) into low, high;
          if low is not null then
            ends := ends || json_build_object('relation', side.relation, 'number', side.number, 'low', low,
              'high', high);
          end if;
        exception when others then
          perform set_config('lock_timeout', '10ms', true) where sqlstate = '55P03';
          missing := missing || to_json(format('the ends of %s.%s could not be read: %s', side.item, side.attribute,
            sqlerrm));
        end;
      end loop;
      for side in execute {_literal(queries.END_EXPRESSIONS)} using request, plain, unprinted loop
        begin
          execute format('select array_agg(r.v) from ((select %2$s as v from only %1$s e where %3$s is not null '
            'order by %3$s limit 1) union all (select %2$s from only %1$s e where %3$s is not null order by %3$s desc '
            'limit 1)) r', side.item, side.row_text, side.expression) into found;
          for row_number in 1 .. coalesce(array_length(found, 1), 0) loop
            end_rows := end_rows || json_build_object('relation', side.relation, 'numbers', to_json(side.numbers),
              'values', array(select found[row_number][i] from generate_subscripts(found, 2) i));
          end loop;
        exception when others then
          perform set_config('lock_timeout', '10ms', true) where sqlstate = '55P03';
          missing := missing || to_json(format('the ends of an index of %s could not be read: %s', side.item, sqlerrm));
        end;
      end loop;
    exception when others then
      missing := missing || to_json('the ends of columns could not be read: ' || sqlerrm);
    end;
  end if;
  {in_order()}
  perform set_config('{ANSWER_SETTING}', (sections || jsonb_build_object('stand_in', '{SCHEMA}',
    'with_values', request->'with_values', 'schemas', to_jsonb(own_schemas), 'heights', to_jsonb(heights),
    'ends', to_jsonb(ends), 'end_rows', to_jsonb(end_rows),
    'missing', to_jsonb(missing)))::text, true);
end $rowreckon_program$"""
