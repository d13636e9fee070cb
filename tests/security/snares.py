"""The snares: whatever PostgreSQL calls without being told to, each ending in one function that leaves a mark."""

from __future__ import annotations

# `spring` runs a program as superuser, whoever calls it, in read-only transactions as well: the mark stays.
SNARES = """
create extension if not exists dblink;
create extension if not exists tablefunc;
create extension if not exists file_fdw;
create extension if not exists postgres_fdw;
create schema snare;
grant usage, create on schema snare to keeper;
create function snare.spring(tag text default 'default') returns int language plpgsql volatile security definer
  set search_path = pg_catalog as $$
begin
  execute format('copy (select %L::text) to program %L', tag, 'cat >> <YARD>/sprung');
  return 1;
end $$;
create function snare.spring_pair(a int, b int) returns int language sql volatile as $$ select snare.spring('pair') $$;
create function snare.spring_true(a int, b int) returns boolean language plpgsql volatile
  as $$ begin return snare.spring('true') > 0; end $$;
create function snare.spring_one(a int) returns int language plpgsql volatile
  as $$ begin return snare.spring('one'); end $$;
create function snare.spring_text(a text) returns text language plpgsql volatile
  as $$ begin perform snare.spring('text'); return a; end $$;
create function snare.spring_rows(tag text) returns setof int language plpgsql volatile
  as $$ begin return next snare.spring(tag); end $$;

-- declared harmless, and in SQL, so that the body tells the truth
create function snare.quiet(tag text) returns int language sql stable as $$ select snare.spring(tag) $$;
create function snare.still(tag text) returns int language sql immutable as $$ select snare.spring(tag) $$;
create function snare.deep(tag text) returns int language sql stable as $$ select snare.quiet(tag) + 0 $$;
create function snare.rows_of(tag text) returns setof int language sql stable as $$ select snare.spring(tag) $$;
create function snare.polite(a int default snare.spring('argument')) returns int language sql immutable
  as $$ select a $$;
create function snare.polite_pl(a int default snare.spring('argument-pl')) returns int language plpgsql immutable
  as $$ begin return a; end $$;
create function snare.over(a int) returns int language plpgsql immutable as $$ begin return a; end $$;
create function snare.over(a text) returns int language plpgsql volatile
  as $$ begin return snare.spring('overload'); end $$;
create function snare.many(variadic a int[]) returns int language plpgsql volatile
  as $$ begin return snare.spring('variadic'); end $$;
-- declared immutable, in PL/pgSQL: a liar.  A list that somebody chose may run it, a file never.
create function snare.liar(a int) returns int language plpgsql immutable
  as $$ begin perform snare.spring('liar'); return a; end $$;
create function snare.stable_liar(a int) returns int language plpgsql stable
  as $$ begin perform snare.spring('stable-liar'); return a; end $$;
create procedure snare.noted(a int) language plpgsql as $$ begin perform snare.spring('procedure'); end $$;

create operator snare.@! (leftarg = int, rightarg = int, function = snare.spring_pair);
create operator snare.@! (rightarg = int, function = snare.spring_one);
create operator snare.=! (leftarg = int, rightarg = int, function = snare.spring_true);
create operator public.@!! (leftarg = int, rightarg = int, function = snare.spring_pair);

create domain snare.checked as int check (snare.spring('domain') > 0);
create domain snare.twice_checked as snare.checked;
create domain snare.named as text check (snare.spring_text(value) is not null);
create type snare.pair as (a int, b snare.checked);
create type snare.stamp as (n int);
create function snare.stamped(int) returns snare.stamp language plpgsql volatile
  as $$ begin perform snare.spring('cast'); return row(1)::snare.stamp; end $$;
create function snare.unstamped(snare.stamp) returns int language plpgsql volatile
  as $$ begin return snare.spring('implicit-cast'); end $$;
create cast (int as snare.stamp) with function snare.stamped(int);
create cast (snare.stamp as int) with function snare.unstamped(snare.stamp) as implicit;
-- JSON's functions cast an enumeration's values by its own casts, wherever they meet one
create type snare.mood as enum ('calm', 'wild');
create type snare.mooded as (m snare.mood);
create function snare.mood_json(snare.mood) returns json language plpgsql volatile
  as $$ begin perform snare.spring('mood'); return '1'; end $$;
create function snare.mood_jsonb(snare.mood) returns jsonb language plpgsql volatile
  as $$ begin perform snare.spring('mood'); return '1'; end $$;
create cast (snare.mood as json) with function snare.mood_json(snare.mood);
create cast (snare.mood as jsonb) with function snare.mood_jsonb(snare.mood);
create table snare.moods(n int, m snare.mood);
insert into snare.moods values (1, 'calm');
grant select on snare.moods to keeper;
create type snare.span as range (subtype = snare.checked);

create function snare.add_up(int, int) returns int language plpgsql volatile
  as $$ begin return snare.spring('transition'); end $$;
create function snare.ended(int) returns int language plpgsql volatile
  as $$ begin return snare.spring('final'); end $$;
create aggregate snare.adding(int) (sfunc = snare.add_up, stype = int, initcond = '0');
create aggregate snare.ending(int) (sfunc = int4pl, stype = int, initcond = '0', finalfunc = snare.ended);
create aggregate snare.moving(int) (sfunc = int4pl, stype = int, initcond = '0',
  msfunc = snare.add_up, minvfunc = snare.add_up, mstype = int, minitcond = '0');
create function snare.ordered_end(int, int) returns int language plpgsql volatile
  as $$ begin return snare.spring('ordered-set'); end $$;
create aggregate snare.in_order(int order by int) (sfunc = int4pl, stype = int, initcond = '0',
  finalfunc = snare.ordered_end);

create view snare.window_view as select snare.spring('view') as n;
create view snare.upstairs as select n + 1 as n from snare.window_view;
create view snare.attic as select (select n from snare.upstairs) as n;
create view snare.clause_view as select 1 as n where snare.spring('view-where') > 0;
create view snare.cte_view as with a as (select snare.spring('view-cte') as n) select n from a;
create view snare.plain_view as select 1 as n;

create table snare.strongroom(id int primary key, secret text);
insert into snare.strongroom select i, '<SECRET>-' || i % 3 from generate_series(1, 300) i;
create table snare.register(id int primary key, guest text);
insert into snare.register select i, case when i % 2 = 0 then '<HIDDEN>-' || i % 3 else 'seen-' || i % 3 end
  from generate_series(1, 300) i;
create policy only_seen on snare.register for select using (guest like 'seen%');
alter table snare.register enable row level security;
create table snare.guarded(id int primary key, note text);
insert into snare.guarded select i, 'note' from generate_series(1, 3) i;
create policy watched on snare.guarded for select using (snare.spring('policy') > 0);
alter table snare.guarded enable row level security;
grant select on snare.register, snare.guarded, snare.window_view, snare.upstairs, snare.attic, snare.clause_view,
  snare.cte_view, snare.plain_view to keeper;
"""


def snares_of(major: int) -> str:
    """What only newer majors have: SQL-standard function bodies (14), multiranges."""
    if major < 14:
        return (
            "create function snare.atomic(tag text) returns int language sql stable as $$ select snare.spring(tag) $$;"
        )
    return """
create function snare.atomic(tag text) returns int language sql stable begin atomic select snare.spring(tag); end;
create function snare.returned(tag text) returns int language sql stable return snare.spring(tag);
"""
