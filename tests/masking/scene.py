"""A database in which every value and every object holds a canary, and queries that bring them into plans."""

from __future__ import annotations

from typing import Final

from .positions import CANARY, NUMBER

SCRIPT: Final = f"""
create table huts(id int primary key, region text, city text, note text default '{CANARY}', tags text[], info jsonb,
  born date, level bit(30), stay interval, size numeric, check (note <> '{CANARY} never'), check (size <> {NUMBER}.25));
insert into huts select i, '{CANARY} region ' || i % 40, '{CANARY} city ' || i % 40,
  case when i % 9 = 0 then '{CANARY}' else '{CANARY} note ' || i end, array['{CANARY}', '{CANARY} tag ' || i % 5],
  jsonb_build_object('k', '{CANARY}', 'n', {NUMBER} + i % 3), '2026-01-01'::date + i % 300, b'{NUMBER:030b}',
  (i % 7) * interval '{NUMBER} seconds', {NUMBER} + i % 3 from generate_series(1, 4000) i;
create table stays(id int primary key, hut_id int, kind text, price numeric, came date);
insert into stays select i, 1 + (i * 7) % 4000, '{CANARY} kind ' || i % 30, {NUMBER} + i % 100,
  '2026-01-01'::date + i % 300 from generate_series(1, 40000) i;
create index on stays(kind) where kind = '{CANARY} kind 3';
create index on huts((lower(note) || '{CANARY}'));
create index on huts(born) where city = '{CANARY} city 1' and size > {NUMBER};
create statistics huts_said on (region || '{CANARY}'), city from huts;
create table weather(day date, place text, degrees int) partition by list (place);
create table weather_one partition of weather for values in ('{CANARY} one', '{CANARY} two');
create table weather_rest partition of weather default;
insert into weather select '2026-01-01'::date + i % 300, '{CANARY} ' || (array['one', 'two', 'three'])[1 + i % 3],
  i % 40 from generate_series(1, 6000) i;
create table notes(hut_id int, body text);
insert into notes select 1 + i % 4000, '{CANARY} body ' || i from generate_series(1, 4000) i;
create policy mine on notes using (body <> '{CANARY} hidden');
create view seen with (security_barrier) as select * from huts where note <> '{CANARY} unseen';
create function told(a int) returns setof int language plpgsql stable rows 1000 as
  $$begin return query select s.id from stays s where s.hut_id = a or s.kind = '{CANARY} told'; end$$;
vacuum analyze huts, stays, weather, notes;
insert into stays select i, i % 300, '{CANARY} kind late', {NUMBER}, '2026-12-01' from generate_series(40001, 60000) i;
"""

# Conditions on `huts h`, in each kind of literal and operator that EXPLAIN prints in a way of its own.
CONDITIONS: Final = (
    f"h.region = '{CANARY} region 1' and h.city = '{CANARY} city 1'",
    f"h.note like '%{CANARY} note 1%' or h.note similar to '({CANARY}|x)%'",
    f"h.note ~* '^{CANARY}' and h.note !~~ 'x{CANARY}'",
    f"h.note in ('{CANARY} a', '{CANARY} note 2', '{CANARY}')",
    f"h.tags && array['{CANARY}', 'x']::text[] and '{CANARY} tag 1' = any (h.tags)",
    f"h.tags @> '{{\"{CANARY}, quoted\",{CANARY}}}'",
    f"h.info @> '{{\"k\": \"{CANARY}\"}}' and h.info ->> '{CANARY}' is null",
    f"(h.info ->> 'n')::int >= {NUMBER} and h.info #>> '{{{CANARY},x}}' is distinct from '{CANARY}'",
    f"jsonb_path_exists(h.info, '$.k ? (@ == \"{CANARY}\")')",
    f"h.size between {NUMBER} and {NUMBER}.75 and h.size <> -{NUMBER}e3",
    f"h.level = b'{NUMBER:030b}' and h.level <> x'{NUMBER << 2:08x}'::bit(30)",
    f"h.stay < interval '{NUMBER} seconds' + interval '3 days'",
    f"h.note = E'{CANARY}\\n  Filter: ({CANARY} on a line)\\ttab\\'quote'",
    f"h.note = U&'{CANARY}\\0041' or h.note = $q${CANARY} 'dollar' $q$",
    f"case h.city when '{CANARY} city 2' then {NUMBER} else 0 end > 5",
    f"coalesce(nullif(h.note, '{CANARY}'), '{CANARY} none') > '{CANARY} note 3'",
    f"lower(h.note) || '{CANARY}' = '{CANARY} note 7{CANARY}'",
    f"(h.region, h.city) in (('{CANARY} region 1', '{CANARY} city 1'), ('{CANARY} region 2', '{CANARY} city 2'))",
    f"exists (select from notes n where n.hut_id = h.id and n.body > '{CANARY} body 5')",
    f"h.id > (select count(*) from notes where body = '{CANARY} body 6')",
    f"h.city not in (select '{CANARY} city ' || degrees from weather where place = '{CANARY} one')",
    f"h.note collate \"C\" >= '{CANARY} note 39' and h.note ^@ '{CANARY}'",
    f"h.born = '2026-01-05'::date + {NUMBER} % 3 and h.note <> /* {CANARY} /* {CANARY} */ */ '{CANARY}'",
)

LIST: Final = (
    "set max_parallel_workers_per_gather = 0;\n"
    f"-- name: alone\nselect h.note || '{CANARY}' as told, {NUMBER} + h.id, '{CANARY}' from huts h"
    f" where h.city = '{CANARY} city 1';\n"
    + "".join(
        f"-- name: condition {number}\n-- about {number}\nselect h.id, s.price, '{CANARY} shown' as shown\n"
        f"from huts h join stays s on s.hut_id = h.id where {condition};\n"
        for number, condition in enumerate(CONDITIONS)
    )
    + f"""
-- name: late
select h.city, count(*) filter (where s.kind <> '{CANARY} f'),
  string_agg(s.kind, '{CANARY},' order by s.kind || '{CANARY}')
from stays s join huts h on h.id = s.hut_id where s.came >= '2026-11-30' and s.kind = '{CANARY} kind late'
group by h.city having max(s.price) > {NUMBER} - 5 limit 3 offset 2 - 1;
-- name: rows of a function
select * from told({NUMBER} % 7) t(id) join stays s on s.id = t.id where s.kind > '{CANARY}';
-- name: partitions
select * from weather w join huts h on h.born = w.day where w.place = '{CANARY} one' and w.degrees > 38
  and h.city = '{CANARY} city 5';
-- name: barrier
select * from seen v join stays s on s.hut_id = v.id where v.note = '{CANARY} note 8' and s.kind = '{CANARY} kind 4';
-- name: windows
select sum(s.price) over (order by s.came range between interval '{NUMBER} seconds' preceding and current row),
  rank() over (partition by s.kind || '{CANARY}' order by s.price + {NUMBER}) from stays s
  join (values ('{CANARY} kind 3', {NUMBER}), ('{CANARY} kind 4', 2)) v(kind, n) on v.kind = s.kind;
set application_name to '{CANARY}';
set huts.secret = '{CANARY}';
-- name: prepared
prepare of_kind(text, int) as select * from stays s join huts h on h.id = s.hut_id where s.kind = $1 and s.price > $2;
execute of_kind('{CANARY} kind 3', {NUMBER});
-- name: fails by a cast
select '{CANARY}'::text::int from huts;
-- name: fails by a date
select count(*) from huts where born > ('{CANARY}' || note)::date;
-- name: fails to be planned
select no_such_column || '{CANARY}' from huts where note = '{CANARY}';
-- name: fails to be read
select '{CANARY}' from from huts where note = '{CANARY}' and;
-- name: is refused
select query_to_xml('select ''{CANARY}''', true, false, '{CANARY}') from huts where size > {NUMBER};
-- name: writes
update huts set note = '{CANARY} written' where note = '{CANARY}';
-- name: takes too long
select count(*) from stays a, stays b, stays c where a.kind || b.kind || c.kind > '{CANARY} too long';
-- name: given
select h.note, s.kind from huts h join stays s on s.hut_id = h.id where h.city = $1 and s.price > $2;
-- name: given badly
select h.note from huts h where h.size = $1;
-- name: unended
select '{CANARY} and never ends
"""
)
GIVEN: Final = f'[given]\nbusy = ["{CANARY} city 3", {NUMBER}]\n'
PARAMETERS: Final = f'{GIVEN}["given badly"]\nbad = ["{CANARY} is no number"]\n'
